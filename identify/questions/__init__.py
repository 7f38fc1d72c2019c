"""What to ask next: everything that can be asked, what an answer would tell, and the order to ask in."""
