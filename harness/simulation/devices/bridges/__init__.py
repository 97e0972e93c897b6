"""Models of bridges to other buses."""
