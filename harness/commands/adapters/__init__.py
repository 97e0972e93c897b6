"""Commands about adapters: those that are here, one examined, a bus enrolled, one simulated."""
