"""Pages and their MAC: a challenge to a device that says whether it holds a secret.

Sources: data sheets family 33h (parts DS2432 p. 13-20, DS1961S p. 16-24). Values of MP:
from memory.
"""

from __future__ import annotations

import secrets
from functools import partial

from harness.errors import UsageError
from harness.families.family import Check, Findings, Option, Options, Session, by_name
from harness.families.security.mac import Layout, mac_of
from harness.families.security.memory import ROW, read_page, sources
from harness.families.security.options import (
    PAGE_NUMBER,
    layout_of,
    layout_options,
    secret_of,
)
from harness.records import Measurement

PAGE_LAYOUT = Layout.parse("SS0-3 PP0-31 FFx4 MP FC S0-5 SS4-7 SP4-6")


def page_mac(session: Session, layout: Layout, page: int, **given: bytes) -> bytes:
    """The MAC of a page as we compute it, from what ``given`` says by name."""
    return mac_of(layout.fill(sources(session, MP=bytes([0x40 | page]), **given)))


def _pad(layout: Layout | None, challenge: bytes) -> bytes:
    """A challenge where the layout takes it; in all positions if it is not known."""
    pad = bytearray(ROW)
    places = layout.challenge_places if layout else range(ROW)
    for place, value in zip(places, challenge, strict=False):
        pad[place] = value
    return bytes(pad)


def proof_of(
    own: Layout | None, session: Session, options: Options, secret: bytes
) -> tuple[Measurement, ...]:
    """That the device works with a secret: the MAC of page 0 for a new challenge."""
    layout = layout_of(own, options)
    if layout is None:
        return ()
    pad = _pad(layout, secrets.token_bytes(8))
    data, mac = read_page(session, 0, pad)
    right = mac == page_mac(session, layout, 0, SS=secret, PP=data, SP=pad)
    return (Measurement(name="secret_works", value=right, wanted=True),)


def _authenticated_page(
    own: Layout | None, session: Session, options: Options
) -> Findings:
    layout, page = layout_of(own, options), options.whole("page")
    secret = secret_of(options) if options.given("secret") else None
    if (secret is None) != (layout is None):
        raise UsageError(
            "a MAC is computed from both the secret and the block layout",
            hint="give both, or neither to hold MACs against each other only",
        )
    challenge = (
        options.data("challenge")
        if options.given("challenge")
        else secrets.token_bytes(8)
    )
    other = bytes(value ^ 0xA5 for value in challenge)
    values, macs = [], []
    for word in (challenge, challenge, other):
        pad = _pad(layout, word)
        data, mac = read_page(session, page, pad)
        macs.append(mac)
        if layout is not None and secret is not None and len(macs) != 2:
            right = mac == page_mac(session, layout, page, SS=secret, PP=data, SP=pad)
            name = "mac_right" if word == challenge else "second_mac_right"
            values.append(Measurement(name=name, value=right, wanted=True))
    values += [
        Measurement(name="mac_repeats", value=macs[0] == macs[1], wanted=True),
        Measurement(name="challenge_counts", value=macs[0] != macs[2], wanted=True),
    ]
    return Findings(measurements=tuple(values), evidence={"page": page})


def page_check(own: Layout | None) -> Check:
    """A page with its MAC for two challenges; ``own`` as in ``secret_options.layout_of``."""
    return Check(
        name="authenticated_page",
        about="reads a page with its MAC for two challenges, and checks the MAC",
        run=partial(_authenticated_page, own),
        options=by_name(
            Option.secret(
                "secret",
                "the eight bytes that the device holds",
                required=own is not None,
            ),
            PAGE_NUMBER,
            *layout_options(own),
            Option.data("challenge", "up to eight bytes; drawn at random unless given"),
        ),
    )
