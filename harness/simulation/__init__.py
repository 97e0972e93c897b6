"""The simulated bench: line voltage against time, devices, adapter, faults.

A second opinion. It may import ``wire.crc`` and ``wire.romcode`` and nothing else
of the harness; neither driver nor families nor plans import it. Its own copy of
every rule is deliberate: a mistake shared with the driver could not be seen.

Units: microseconds (``_us``) on the line, seconds (``_s``) on the bench, volts,
ohm, pF (nF where the name says so). Rule of the house: never kinder than the
real thing.
"""
