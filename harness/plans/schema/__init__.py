"""What plan and fixture files may hold, as models."""
