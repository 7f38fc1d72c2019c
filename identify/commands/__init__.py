"""Options and help of the commands, and the commands of `untagged reference`."""
