"""What the lot commands report, as tables and a verdict sentence."""
