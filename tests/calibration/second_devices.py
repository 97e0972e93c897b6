"""Devices of the second bench that restart, vanish, do not hear, or are their own clone."""

from __future__ import annotations

import random
from typing import Any

import second_bench  # type: ignore[import-not-found]

_MORE = (
    "own",
    "restarts",
    "restarts_every_s",
    "away_every_s",
    "away_share",
    "deaf",
    "refuses_resolution",
    "conversion_s",
    "power_on",
    "keeps_last",
)


def _now_s() -> float:
    return float(second_bench.time.monotonic())


class Ailing:
    """What a device of the second bench may have besides; mixed into its classes."""

    absent = always_absent = False

    def ail(self, more: dict[str, Any], seed: int) -> None:
        """Take the numbers of its ailments."""
        self.more = more
        self.rnd = random.Random(seed)
        self.next_restart = self._gap()

    def _gap(self) -> float:
        every = float(self.more.get("restarts_every_s", 0))
        return _now_s() + self.rnd.expovariate(1 / every) if every else float("inf")

    def gone(self) -> bool:
        """True while its lead is off: a share of each period, for all with one period."""
        every = float(self.more.get("away_every_s", 0))
        return every > 0 and (_now_s() / every) % 1 < float(self.more["away_share"])

    def power_up(self) -> None:
        """What a restart leaves."""
        self.th, self.tl, self.cfg = self.ee  # type: ignore[attr-defined]
        if not self.more.get("keeps_last"):
            self.raw = int(self.more.get("power_on", 85.0) * 16)
        self.converted, self.busy_until = False, 0.0
        self.mode = "idle"

    def restarted_meanwhile(self) -> None:
        """Restart as often as time says."""
        if _now_s() >= self.next_restart:
            self.power_up()
            self.next_restart = self._gap()


class AilingThermometer(Ailing, second_bench.Thermometer):  # type: ignore[misc]
    """A thermometer that may ail."""

    def reset(self) -> None:
        self.restarted_meanwhile()
        super().reset()

    def command(self, v: bytes) -> None:
        if v[0] == 0x44 and self.rnd.random() < self.more.get("deaf", 0.0):
            self.ones()
            return
        super().command(v)
        if v[0] == 0x44 and "conversion_s" in self.more:
            self.busy_until = _now_s() + float(self.more["conversion_s"])
        if v[0] == 0x44 and self.rnd.random() < self.more.get("restarts", 0.0):
            self.power_up()
            self.mode = "tx"
            self.send_bits([0] * 3, self.ones)

    def write(self, v: bytes) -> None:
        if self.more.get("refuses_resolution"):
            v = bytes([*v[:2], self.cfg])
        super().write(v)

    def pad(self) -> bytes:
        block = bytearray(super().pad())
        if own := self.more.get("own"):
            block[5:8] = own
            block[8] = second_bench.crc8(bytes(block[:8]))
        return bytes(block)


class AilingPart(Ailing, second_bench.Device):  # type: ignore[misc]
    """Any other part that may vanish."""


class AilingEeprom(Ailing, second_bench.Eeprom):  # type: ignore[misc]
    """A memory that may vanish."""


_KINDS = {0x28: AilingThermometer, 0x22: AilingThermometer, 0x2D: AilingEeprom}


class AilingBench(second_bench.Bench):  # type: ignore[misc]
    """A bench whose devices may be away, and whose adapter may hold full packets."""

    holds_full_packets = False
    held = b""

    def transact(self, data: bytes, baud: int) -> bytes:
        for device in self.devices:
            device.absent = device.always_absent or device.gone()
        echo = self.held + super().transact(data, baud)
        self.held = b""
        if self.holds_full_packets and echo and len(echo) % 64 == 0:
            self.held, echo = echo, b""
        return bytes(echo)


def build(spec: dict[str, Any]) -> AilingBench:
    """As the second bench builds, with the ailments of each device."""
    spec = dict(spec)
    full = spec.pop("holds_full_packets", False)
    devices = []
    for place, asked in enumerate(spec["devices"]):
        d = dict(asked)
        more = {key: d.pop(key) for key in _MORE if key in d}
        family, serial = int(d.pop("family"), 0), d.pop("serial")
        if "pad_fixed" in d:
            more.pop("own", None)  # its block is fixed as a whole
            d["pad_fixed"] = bytes.fromhex(d["pad_fixed"])
        device = _KINDS.get(family, AilingPart)(
            rom=second_bench.rom(family, serial), **d
        )
        device.ail(more, spec["seed"] + place)
        if "power_on" in more:
            device.raw = int(more["power_on"] * 16)
        device.always_absent = bool(d.get("absent", False))
        devices.append(device)
    bench = AilingBench(
        devices=devices, **{k: v for k, v in spec.items() if k != "devices"}
    )
    bench.holds_full_packets = full
    return bench
