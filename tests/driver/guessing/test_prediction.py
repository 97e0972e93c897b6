"""The forecast against Bayes' rule worked out place by place, without its shortcuts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.driver.guessing.prediction import Predictor
from harness.wire.romcode import RomCode

FAMILY = 0x28


def by_bayes(serials: list[int], path: tuple[int, ...]) -> tuple[float, float]:
    """Likelihood of a path of serial bits, and of a 1 behind it, for one set of codes.

    From some place on all bits are constant but for one in a hundred, below it each bit is
    fair; every place from 0 to 48 is as likely as any other beforehand.
    """
    count = len(serials)
    ones = [sum(serial >> place & 1 for serial in serials) for place in range(48)]
    constant = [int(2 * one > count) for one in ones]
    likely = []
    for start in range(49):
        share = 1.0
        for place in range(48):
            odd = min(ones[place], count - ones[place])
            if place < start:
                share *= 0.5**count
            elif count:
                share *= 0.5 * 0.01**odd * 0.99 ** (count - odd)
        likely.append(share)

    def of(start: int, place: int, bit: int) -> float:
        if place < start:
            return 0.5
        return 0.99 if constant[place] == bit else 0.01

    whole = with_one = 0.0
    for start, share in enumerate(likely):
        walked = share / sum(likely)
        for place, bit in enumerate(path):
            walked *= of(start, place, bit)
        whole += walked
        with_one += walked * of(start, len(path), 1)
    return whole, with_one


def expected_one(serials: list[int], path: tuple[int, ...]) -> float:
    """Probability of a 1: the whole family by half, its lots (upper 24 bits) by size."""
    sets = [(1.0, serials)]
    lots = Counter(serial >> 24 for serial in serials)
    if len(lots) > 1:
        several = {lot: size for lot, size in lots.items() if size > 1}
        sets += [
            (size / sum(several.values()), [s for s in serials if s >> 24 == lot])
            for lot, size in several.items()
        ]
    parts = [(weight, *by_bayes(codes, path)) for weight, codes in sets]
    return sum(w * one for w, _, one in parts) / sum(w * all_ for w, all_, _ in parts)


def learned(roms: Iterable[RomCode]) -> Predictor:
    """What the codes found on this bus say, one after the other."""
    predictor = Predictor()
    for rom in roms:
        predictor.learn(rom)
    return predictor


LOTS = st.sampled_from([0xA4B3 << 24, 0x0001 << 24, (0xA4B3 << 24) | 1 << 23])
SERIALS = st.lists(st.builds(int.__add__, LOTS, st.integers(0, 0xFFFF)), max_size=6)


@settings(max_examples=25)
@given(serials=SERIALS, walked=st.integers(0, (1 << 48) - 1), data=st.data())
def test_the_next_bit_is_as_likely_as_by_bayes(
    serials: list[int], walked: int, data: st.DataObject
) -> None:
    """Whatever was seen, along its own codes and along any other."""
    serial = data.draw(st.sampled_from([walked, *serials]))
    depth = data.draw(st.integers(0, 47))
    rom = RomCode.build(FAMILY, serial)
    predictor = learned(RomCode.build(FAMILY, seen) for seen in serials)
    forecast = predictor.begin()
    forecast.take(rom.bits[: 8 + depth])
    bit, likely = forecast.guess()
    one = expected_one(serials, rom.bits[8 : 8 + depth])
    assert likely == pytest.approx(max(one, 1 - one), rel=1e-9)
    assert one == pytest.approx(0.5) or bit == int(one > 0.5)


def test_family_bits_are_counted() -> None:
    """Of 28h, 28h and 10h (and half a code either way beforehand) the next bit's share.

    On the wire 28h is 0001 0100 and 10h is 0000 1000.
    """
    roms = [RomCode.build(family, n) for n, family in enumerate((0x28, 0x28, 0x10))]
    predictor = learned(roms)
    for path, one in (
        ((), 0.5 / 4),
        ((0, 0, 0), 2.5 / 4),
        ((0, 0, 0, 1), 0.5 / 3),
        ((0, 0, 0, 0), 1.5 / 2),
        ((1,), 0.5),
    ):
        assert predictor.one_in_family(path) == pytest.approx(one)
    forecast = predictor.begin()
    forecast.take((0, 0, 0))
    bit, likely = forecast.guess()
    assert (bit, likely == pytest.approx(2.5 / 4)) == (1, True)


def test_without_any_code_a_zero_is_as_likely_as_a_one() -> None:
    """A tie is a 0: what is never sold has zeros above."""
    assert Predictor().begin().guess() == (0, 0.5)


def test_a_copy_goes_its_own_way() -> None:
    """Bits that are tried on a copy change neither the forecast nor what was learned."""
    roms = [RomCode.build(FAMILY, 0xA4B30000 + n) for n in (5, 9, 12)]
    predictor = learned(roms)
    forecast = predictor.begin()
    forecast.take(roms[0].bits[:16])
    before = forecast.guess()
    trial = forecast.copy()
    assert trial.guess() == before
    trial.take([1 - bit for bit in roms[0].bits[16:26]])
    assert forecast.guess() == before
    # learned meanwhile: a path that is begun anew knows it
    predictor.learn(RomCode.build(FAMILY, 0xA4B30007))
    again = predictor.begin()
    again.take(roms[0].bits[:16])
    assert again.guess()[1] > before[1]


NEAR = [RomCode.build(FAMILY, 0xA4B30000 + 977 * n) for n in range(12)]
FAR = [RomCode.build(FAMILY, 0x1217_C400_0000 + 977 * n) for n in range(12)]


def test_codes_elsewhere_of_one_lot_foretell_the_next() -> None:
    """Before anything is found here, the upper bits of that lot are likely."""
    forecast, rom = Predictor(NEAR).begin(), RomCode.build(FAMILY, 0xA4B35A5A)
    for place in range(32, 56):
        forecast.take(rom.bits[0 if place == 32 else place - 1 : place])
        bit, likely = forecast.guess()
        assert (bit, likely > 0.95) == (rom.bits[place], True)


def test_codes_elsewhere_that_are_unlike_say_nothing_any_more() -> None:
    """Bayes' rule: a dozen found here leave the others less than one part in a million."""
    predictor, alone = Predictor(FAR), learned(NEAR)
    for rom in NEAR:
        predictor.learn(rom)
    ours, plain = predictor.begin(), alone.begin()
    for bit in RomCode.build(FAMILY, 0xA4B35A5A).bits[:56]:
        (guess, likely), (same, alike) = ours.guess(), plain.guess()
        assert guess == same
        assert likely == pytest.approx(alike, abs=1e-6)
        ours.take([bit])
        plain.take([bit])
