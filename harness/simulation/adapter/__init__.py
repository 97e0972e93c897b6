"""The simulated adapter: UART, buffers, latency, clock grid."""
