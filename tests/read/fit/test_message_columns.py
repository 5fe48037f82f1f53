"""FIT columns equal what fitparse and the format owner's reader give, value for value."""

from __future__ import annotations

import struct
from pathlib import Path

import fit_encoder as enc
import fitparse.profile
import numpy as np
import pytest
from checkout import SAMPLES
from hypothesis import given, settings
from hypothesis import strategies as st
from read_samples import REAL, real

from pipeline.read.fit import container, general_decoder, message_columns
from pipeline.read.fit.message_scan import Unknown
from pipeline.read.fit.messages import Decoded, Messages
from pipeline.read.fit.profile import WANTED

FILES = sorted(SAMPLES.glob("*/*.fit"))
CAR = REAL / "other" / "car-10hz-imu-uptime-clock.fit"

# Files with a field that only the general decoder takes apart.
LEFT_TO_IT = {"null-compressed-speed.fit"}


def sound_parts(path: Path) -> list[container.Part]:
    return [part for part in container.chain(path.read_bytes()) if part.data]


def telling(m: Messages) -> np.ndarray:
    """(n,) whether a message states more than its time; the empty ones may differ."""
    told = np.zeros(len(m.order), dtype=bool)
    for name, values in m.columns.items():
        if name != "timestamp":
            told |= np.isfinite(values).reshape(len(values), -1).any(axis=1)
    return told


def assert_same(ours: Decoded, theirs: Decoded) -> None:
    assert set(ours.messages) == set(theirs.messages)
    for name, m in theirs.messages.items():
        own = ours.messages[name]
        assert (np.diff(own.order) > 0).all()
        assert set(own.columns) == set(m.columns), name
        for column, values in m.columns.items():
            np.testing.assert_array_equal(
                own.columns[column][telling(own)], values[telling(m)], err_msg=f"{name}.{column}"
            )
            if column.startswith("developer."):
                assert own.units[column] == m.units[column]


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", [*real("fit", "*.fit"), *FILES, *real("other", "*.fit")])
def test_equal_to_fitparse_value_for_value(path: Path) -> None:
    for part in sound_parts(path):
        sound = not part.remarks
        try:
            ours = message_columns.decode_columns(part.data, sound=sound)
        except Unknown:
            assert path.name in LEFT_TO_IT
            continue
        theirs = general_decoder.decode_messages(part.data)
        if sound:
            assert ours.fault is None
        assert_same(ours, theirs)


def test_every_fact_is_the_profiles() -> None:
    """Names, scales, offsets and components, against fitparse's copy of the profile."""
    for number, kind in WANTED.items():
        theirs = fitparse.profile.MESSAGE_TYPES[number]
        assert kind.name == theirs.name
        for field_number, fact in kind.fields.items():
            field = theirs.fields[field_number]
            assert (field.name, field.scale or 1, field.offset or 0) == fact[:3]
            parts = [
                (c.name, c.scale, c.offset, c.bits, c.bit_offset) for c in field.components or ()
            ]
            assert parts == (
                [(fact.also, fact.scale, fact.offset or None, 16, 0)] if fact.also else []
            )
        names = {fact.name for fact in kind.fields.values()}
        unpacked = {
            n
            for n, field in theirs.fields.items()
            if n not in kind.fields and {c.name for c in field.components or ()} & names
        }
        assert unpacked == kind.unpacked


# --- generated files --------------------------------------------------------------------

BASES = [base for base in enc.BASE if base not in ("string", "byte")]
NUMBERS = {number: sorted(kind.fields) for number, kind in WANTED.items()}


@st.composite
def kinds(draw: st.DrawFn) -> enc.Kind:
    """A definition of a wanted message or another one, with some of its fields and some unknown."""
    number = draw(st.sampled_from([*WANTED, 999, 0xFF00]))
    known = NUMBERS.get(number, [253, 1, 2])
    chosen = draw(st.lists(st.sampled_from([*known, 200, 201]), unique=True, max_size=6))
    fields = []
    for each in chosen:
        fact = WANTED[number].fields.get(each) if number in WANTED else None
        base = "uint16" if fact and fact.also else draw(st.sampled_from(BASES))
        if each == 253:
            base = "uint32"
        one = each == 253 or bool(fact and (fact.also or fact.name.startswith("enhanced_")))
        fields.append(enc.Field(each, base, 1 if one else draw(st.integers(1, 4))))
    return enc.Kind(draw(st.integers(0, 4)), number, tuple(fields), big_endian=draw(st.booleans()))


def stored(draw: st.DrawFn, base: str) -> object:
    """The value of one cell, often null."""
    fmt = enc.BASE[base][1]
    if fmt == "f":
        return draw(st.one_of(st.none(), st.floats(width=32, allow_nan=False)))
    low, high = (0, 2 ** (8 * struct.calcsize(fmt)) - 1)
    if fmt in "bhi":
        low, high = -(high // 2), high // 2
    return draw(st.one_of(st.none(), st.integers(low, high)))


@st.composite
def streams(draw: st.DrawFn) -> bytes:
    """Definitions and messages, in runs and mixed, some redefined, some with packed times."""
    parts: list[bytes] = []
    current: dict[int, enc.Kind] = {}
    for _ in range(draw(st.integers(1, 8))):
        if not current or draw(st.booleans()):
            kind = draw(kinds())
            current[kind.local] = kind
            parts.append(kind.definition())
        kind = current[draw(st.sampled_from(sorted(current)))]
        values = [
            [stored(draw, f.base) for _ in range(f.count)] if f.count > 1 else stored(draw, f.base)
            for f in kind.fields
        ]
        packed = kind.local < 4 and draw(st.integers(0, 4)) == 0
        offset = draw(st.integers(0, 31)) if packed else None
        times = draw(st.sampled_from([1, 1, 2, 40]))
        parts += [kind.data(*values, offset=offset)] * times
    return enc.fit_file(*parts)


@settings(max_examples=60, deadline=None)
@given(streams())
def test_whatever_is_written_equal_to_fitparse(data: bytes) -> None:
    (part,) = container.chain(data)
    try:
        ours = message_columns.decode_columns(part.data, sound=True)
    except Unknown:
        return
    assert ours.fault is None
    theirs = general_decoder.decode_messages(part.data)
    assert theirs.fault is None
    empty = {name for name, m in theirs.messages.items() if not telling(m).any()}
    assert_same(without(ours, empty), without(theirs, empty))


def without(decoded: Decoded, names: set[str]) -> Decoded:
    return Decoded({k: m for k, m in decoded.messages.items() if k not in names}, decoded.fault)


# --- the format owner's reader ----------------------------------------------------------

# That reader stops at compressed time stamps, and at faults that the others get past.
NOT_READ_BY_IT = {"compressed-timestamps.fit"}


def by_the_owner(data: bytes) -> dict[str, list[dict[str, object]]] | None:
    sdk = pytest.importorskip("garmin_fit_sdk")
    messages, errors = sdk.Decoder(sdk.Stream.from_byte_array(bytearray(data))).read(
        convert_types_to_strings=False, convert_datetimes_to_dates=False, merge_heart_rates=False
    )
    return None if errors else messages


@pytest.mark.parametrize("path", [*real("fit", "*.fit"), *FILES, *real("other", "*.fit")])
def test_equal_to_the_format_owners_reader_value_for_value(path: Path) -> None:
    if path.name in NOT_READ_BY_IT:
        pytest.skip("it does not read this one")
    for part in sound_parts(path):
        theirs = None if part.remarks else by_the_owner(part.data)
        if theirs is None:
            continue
        try:
            ours = message_columns.decode_columns(part.data, sound=True)
        except Unknown:
            assert path.name in LEFT_TO_IT
            continue
        for kind in WANTED.values():
            rows = theirs.get(f"{kind.name}_mesgs", [])
            if not rows:
                assert kind.name not in ours.messages
                continue
            own = ours.messages[kind.name]
            assert len(own.order) == len(rows), kind.name
            for fact in kind.fields.values():
                assert_column(own.columns.get(fact.name), [row.get(fact.name) for row in rows])


def assert_column(ours: np.ndarray | None, theirs: list[object]) -> None:
    cells = [value if isinstance(value, list) else [value] for value in theirs]
    width = max(map(len, cells))
    wide = np.array(
        [[np.nan if v is None else float(v) for v in row] + [np.nan] * (width - len(row))
         for row in cells]
    )  # fmt: skip
    if ours is None:
        assert np.isnan(wide).all()
        return
    # Its scaling rounds differently, in the last place of a float.
    np.testing.assert_allclose(ours.reshape(len(theirs), -1), wide, rtol=1e-15, atol=0)
