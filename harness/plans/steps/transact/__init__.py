"""The transact step: bytes of one's own, and how their answer is proved."""
