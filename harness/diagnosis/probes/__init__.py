"""Probes: they send traffic and fill the evidence; they judge nothing."""
