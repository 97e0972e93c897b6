"""A recording beside the characters that an adapter sent and heard meanwhile."""
