"""What an authenticator has closed for ever: looked at, and closed.

Sources: data sheets family 33h (parts DS2432 p. 3-20, DS1961S p. 7-24). Values of MP:
from memory.
"""

from __future__ import annotations

from harness.errors import AnswerImpossible
from harness.families.common.answers import shown
from harness.families.family import (
    Answer,
    Check,
    Findings,
    Hazard,
    Option,
    Options,
    Quantity,
    Session,
    by_name,
)
from harness.families.security.mac import Layout, mac_of
from harness.families.security.memory import (
    CLOSED,
    REGISTERS_AT,
    copy,
    registers,
    sources,
    stage,
)
from harness.families.security.options import SECRET, secret_of
from harness.records import Measurement

REGISTER_LAYOUT = Layout.parse(
    "SS0-3 SS0-7 RG0-7 RC0-7 FFx4 SP0-7 MP FC S0-5 SS4-7 FFx3"
)

PROTECTIONS = {
    "secret": 0,
    "all pages": 1,
    "user byte": 2,
    "page 1 zeros only": 4,
    "page 0": 5,
}
"""What a byte of the register page closes for ever, by its place in it."""


def require_open(session: Session) -> None:
    """Insist that the secret can be replaced.

    Raises:
        AnswerImpossible: it is protected for ever.
    """
    if registers(session)[PROTECTIONS["secret"]] in CLOSED:
        raise AnswerImpossible("the secret is protected for ever, nothing was sent")


# -- looked at ---------------------------------------------------------------------


def _words(held: bytes) -> str:
    closed = [what for what, place in PROTECTIONS.items() if held[place] in CLOSED]
    return ", ".join(closed) or "all open"


def _protection(session: Session) -> Answer:
    held = registers(session)
    return Answer(value=_words(held), evidence={"registers": shown(held)})


def _state(session: Session, options: Options) -> Findings:
    held = registers(session)
    return Findings(
        measurements=(
            Measurement(
                name="protection", value=_words(held), wanted=options.text("wanted")
            ),
        ),
        evidence={"registers": shown(held)},
    )


PROTECTION = Quantity(
    name="protection",
    unit="",
    read=_protection,
    about="what is protected, or all open",
)
STATE_CHECK = Check(
    name="protection_state",
    about="protection is as wanted; changes nothing",
    run=_state,
    options=by_name(
        Option.text(
            "wanted", "all open, or such as: secret, page 0", default="all open"
        )
    ),
)


# -- closed ------------------------------------------------------------------------


def _protect(session: Session, options: Options) -> Findings:
    secret, what = secret_of(options), options.text("what")
    held = registers(session)
    place = PROTECTIONS[what]
    row = held[:place] + bytes([0xAA]) + held[place + 1 :]
    stage(session, REGISTERS_AT, row)
    given = {"SS": secret, "RG": held, "SP": row, "MP": b"\x04"}
    block = REGISTER_LAYOUT.fill(sources(session, **given))
    session.note("protecting", what=what)
    copy(session, REGISTERS_AT, mac_of(block), what=f"protecting {what}")
    got = registers(session)[place]
    return Findings(
        measurements=(
            Measurement(
                name=f"{what.replace(' ', '_')}_protected",
                value=got in CLOSED,
                wanted=True,
            ),
        )
    )


PROTECT_CHECK = Check(
    name="protection_write",
    about="protects something; can never be undone",
    run=_protect,
    leaves=frozenset({"protection", "protection_state"}),
    options=by_name(
        SECRET,
        Option.text(
            "what", "what is closed", required=True, choices=tuple(PROTECTIONS)
        ),
    ),
    hazards=frozenset({Hazard.MEMORY_WEAR, Hazard.LOCK}),
)
