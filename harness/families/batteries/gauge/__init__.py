"""What battery gauges share: register file, EEPROM blocks, quantities."""
