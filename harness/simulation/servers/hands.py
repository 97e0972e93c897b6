"""Hands at a simulated bench: devices put in, taken out and warmed by the name of their socket.

At a bench that is served they do what is typed there; at one that is enrolled in the same
process, what the operator is asked for.
"""

from __future__ import annotations

from collections.abc import Collection

from harness.simulation.servers.bench import Bench
from harness.simulation.servers.insertion import Handling

WARMED_K = 8.0
"""What a hand does to a probe in ten seconds (from memory: several degrees)."""

USAGE = "type in SOCKET, out SOCKET or warm SOCKET, and Enter"


class SocketHands:
    """Hands that know the sockets of a bench.

    Args:
        bench: the bench.
        stay: ROM codes of devices that are in at the beginning; None for all.
    """

    def __init__(self, bench: Bench, stay: Collection[str] | None = None) -> None:
        sockets = [station.socket for station in bench.stations]
        self._places = {name: at for at, name in enumerate(sockets, 1) if name}
        every = [str(station.device.true_rom) for station in bench.stations]
        self._handling = Handling(bench, every if stay is None else stay)

    def put_in(self, socket: str) -> bool:
        """Put the device of a socket in; False if there is none."""
        place = self._places.get(socket)
        if place is not None:
            self._handling.put_in([place], after_s=0.0)
        return place is not None

    def take_out(self, socket: str) -> bool:
        """Take it out; False if there is none."""
        place = self._places.get(socket)
        if place is not None:
            self._handling.take_out([place], after_s=0.0)
        return place is not None

    def warm(self, socket: str) -> bool:
        """Warm it for good; False if there is none, or none that measures that."""
        place = self._places.get(socket)
        return place is not None and self._handling.warm(place, by_k=WARMED_K)

    def do(self, line: str) -> str:
        """Do what a person types; what was done, in a sentence."""
        action, _, socket = line.strip().partition(" ")
        socket = socket.strip()
        done = {
            "in": (self.put_in, "put in"),
            "out": (self.take_out, "taken out"),
            "warm": (self.warm, f"warmed by {WARMED_K:g} K"),
        }.get(action)
        if done is None:
            return USAGE
        act, said = done
        if act(socket):
            return f"{socket}: {said}"
        known = ", ".join(self._places) or "none"
        return f"{socket or 'no socket'}: nothing to {action} there; sockets: {known}"
