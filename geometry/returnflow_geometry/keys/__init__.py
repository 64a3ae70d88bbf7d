"""What the keys of a case file are, and how the value of each is read."""
