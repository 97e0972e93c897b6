"""What a file that describes a kind of device may hold."""
