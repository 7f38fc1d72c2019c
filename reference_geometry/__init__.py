"""What is known: published standards, measured families, their kits, and the store that keeps them."""
