"""The line: voltage against time, and the events that move it."""
