"""Memories: EEPROM, RAM, write-once, and RAM with counters."""
