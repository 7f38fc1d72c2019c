"""What is known of a pump to the probability of every family and of "not in the set", with reasons."""
