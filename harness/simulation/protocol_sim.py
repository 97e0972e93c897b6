"""pyserial's handler for ``sim://`` addresses; see ``rig`` for their form.

pyserial finds it once ``harness.simulation`` is in
``serial.protocol_handler_packages``.
"""

from harness.simulation.servers.port import SimulatedPort as Serial

__all__ = ["Serial"]
