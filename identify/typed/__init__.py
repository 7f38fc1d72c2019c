"""What a person types, understood once for the command line and the page in the browser."""
