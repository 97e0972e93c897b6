"""A run in a few lines: verdict, devices, failures; for terminal, JSON and report."""
