"""A plug-in for slotproof: an invented moisture sensor, a check and a step of one's own.

INVENTED: the sensor does not exist. Only names of ``harness.__all__`` are used, which
stay as they are for one ``harness.API_VERSION``.
"""

from __future__ import annotations

from collections.abc import Sequence

import harness


def _block(session: harness.Session) -> bytes:
    """Moisture 2 bytes, revision 1 byte, CRC-8 over them."""
    block = session.transact(bytes([0xBE]), 4)
    if harness.crc8(block):
        raise harness.DeviceError(
            f"the CRC-8 of {block.hex(' ').upper()} is wrong", where=str(session.rom)
        )
    return block


def _moisture(session: harness.Session) -> harness.Answer:
    block = _block(session)
    counts = int.from_bytes(block[:2], "little")
    return harness.Answer(value=counts / 100, evidence={"block": block.hex(" ")})


def _revision(session: harness.Session, options: harness.Options) -> harness.Findings:
    lowest = options.whole("at_least")
    value = harness.Measurement(name="revision", value=_block(session)[2], low=lowest)
    return harness.Findings(measurements=(value,))


def _prove(session: harness.Session, options: harness.Options) -> harness.Findings:
    """Each directed search proves all 64 bits."""
    for _ in range(options.whole("times")):
        session.verify()
    return harness.Findings(
        measurements=(
            harness.Measurement(name="proofs", value=options.whole("times"), low=1),
        )
    )


def _count(
    sessions: Sequence[harness.Session], options: harness.Options
) -> harness.Findings:
    for session in sessions:
        session.verify()
    families = {session.rom.family for session in sessions}
    least = options.whole("at_least")
    return harness.Findings(
        measurements=(
            harness.Measurement(name="devices", value=len(sessions), low=least),
            harness.Measurement(name="families", value=len(families), low=1),
        )
    )


def _whole(name: str, about: str) -> dict[str, harness.Option]:
    kind = harness.OptionKind.WHOLE
    return harness.by_name(
        harness.Option(name=name, kind=kind, about=about, default=1, low=1, high=100)
    )


PLUG_IN = harness.PlugIn(
    api=1,
    families=(
        harness.Family(
            code=0x7A,
            name="moisture sensor (invented)",
            device_class="converter",
            typical_parts="none",
            quantities=harness.by_name(
                harness.Quantity(
                    name="moisture", unit="%", read=_moisture, about="of the soil"
                )
            ),
            checks=harness.by_name(
                harness.Check(
                    name="moisture_revision",
                    about="the revision is not older than wanted",
                    run=_revision,
                    options=_whole("at_least", "oldest revision"),
                )
            ),
        ),
    ),
    checks={
        0x28: (
            harness.Check(
                name="proof",
                about="proves the ROM code several times",
                run=_prove,
                options=_whole("times", "directed searches"),
            ),
        )
    },
    steps=(
        harness.Step(
            name="head_count",
            about="proves every device and counts them",
            run=_count,
            options=_whole("at_least", "lowest number of devices"),
        ),
    ),
)
