"""Authenticators: pages and secrets behind a MAC."""
