"""A diagnosis as text and as a page."""
