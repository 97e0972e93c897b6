"""Time slots and resets as UART characters, and the choice of the frames."""
