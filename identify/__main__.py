"""`python -m identify` is the command `untagged`."""

from identify.command_line import main

if __name__ == "__main__":
    main()
