"""Makes the part model: data, training, evaluation, export. See README.md here for the commands."""
