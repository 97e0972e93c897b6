"""Benches behind addresses: pyserial port, tty, RFC 2217."""
