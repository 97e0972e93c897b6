"""What families of two or more classes share, each written once."""
