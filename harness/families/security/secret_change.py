"""Another secret for a device: given to it, or computed by it from the one it holds.

Neither stays in the scratchpad, which anybody can read.

Sources: data sheets family 33h (parts DS2432 p. 13-20, DS1961S p. 16-24). Values of MP:
from memory.
"""

from __future__ import annotations

from functools import partial

from harness.families.family import (
    Check,
    Findings,
    Hazard,
    Option,
    Options,
    Session,
    by_name,
)
from harness.families.security.challenge import proof_of
from harness.families.security.mac import Layout, mac_of
from harness.families.security.memory import (
    PAGE,
    compute_secret,
    load_secret,
    read_memory,
    sources,
    wipe,
)
from harness.families.security.options import (
    PAGE_NUMBER,
    SECRET,
    SECRET_BYTES,
    layout_options,
    secret_of,
)
from harness.families.security.protection import require_open
from harness.records import Measurement

SECRET_LAYOUT = Layout.parse("SS0-3 PP0-31 FFx4 MP SP1-7 SS4-7 FFx3")

_LOADING = frozenset({Hazard.SECRET, Hazard.MEMORY_WEAR})


# -- given -------------------------------------------------------------------------


def _load(own: Layout | None, session: Session, options: Options) -> Findings:
    secret = secret_of(options)
    require_open(session)
    session.note("loading a secret")
    try:
        load_secret(session, secret)
    finally:
        wipe(session)
    return Findings(
        measurements=(
            Measurement(name="secret_loaded", value=True, wanted=True),
            *proof_of(own, session, options, secret),
        )
    )


def load_check(own: Layout | None) -> Check:
    """Replace the secret, and prove it; ``own`` as in ``layout_of``."""
    return Check(
        name="secret_load",
        about="replaces the secret, and proves that the device works with it",
        run=partial(_load, own),
        leaves=frozenset({"authenticated_page", "wrong_mac"}),
        options=by_name(SECRET, *layout_options(own)),
        hazards=_LOADING,
    )


# -- computed ----------------------------------------------------------------------


def _next(own: Layout | None, session: Session, options: Options) -> Findings:
    old, page = secret_of(options), options.whole("page")
    partial_secret = secret_of(options, "partial_secret")
    require_open(session)
    held = read_memory(session, page * PAGE, PAGE)
    given = {"SS": old, "PP": held, "SP": partial_secret}
    block = SECRET_LAYOUT.fill(
        sources(session, MP=bytes([partial_secret[0] & 0x3F]), **given)
    )
    session.note("computing the next secret", page=page)
    try:
        compute_secret(session, page, partial_secret)
    finally:
        wipe(session)
    proof = proof_of(own, session, options, mac_of(block)[:SECRET_BYTES])
    return Findings(measurements=proof)


def compute_check(own: Layout | None) -> Check:
    """Have the device compute its next secret, and prove it; ``own`` likewise."""
    return Check(
        name="secret_compute",
        about="has the device compute its next secret, and proves it",
        run=partial(_next, own),
        leaves=frozenset({"authenticated_page", "wrong_mac"}),
        options=by_name(
            Option.secret(
                "secret", "the eight bytes that the device holds before", required=True
            ),
            Option.secret(
                "partial_secret", "eight bytes that go into the next one", required=True
            ),
            PAGE_NUMBER,
        ),
        hazards=_LOADING,
    )
