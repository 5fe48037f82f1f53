"""FIT messages one by one, through fitparse: slow, for files that `message_columns` cannot read.

This module is imported only when a file needs it, since loading fitparse takes time.
"""

from __future__ import annotations

import struct
import threading
from array import array
from collections.abc import Iterator, Mapping, Sequence
from io import BytesIO
from typing import Any, NamedTuple

import fitparse
import fitparse.records
import numpy as np
from fitparse.utils import FitEOFError

from pipeline.read.fit.messages import Decoded, Messages, mostly_filling
from pipeline.read.fit.profile import WANTED, developer_column

_WANTED_FIELDS: Mapping[str, frozenset[str]] = {
    kind.name: frozenset(fact.name for fact in kind.fields.values()) for kind in WANTED.values()
}

MOST_DECODED = 300_000  # messages: half a minute's work, and three days at one a second

_ONE_AT_A_TIME = threading.Lock()  # fitparse keeps developers' descriptions in a global variable


def decode_messages(data: bytes) -> Decoded:
    """The wanted messages of one file of a chain, header included, as far as it can be decoded."""
    store = {name: _Store(array("q"), {}, {}) for name in _WANTED_FIELDS}
    with _ONE_AT_A_TIME:
        fitparse.records.DEV_TYPES = _Developers()  # or one file's would reach the next
        fault, too_many = _fill_store(data, store)
    messages = {name: _filled_columns(s) for name, s in store.items() if len(s.order)}
    return Decoded(messages, fault, too_many)


class _Cells(NamedTuple):
    """A field's values in the order of the file: each message's row, how many it has, and all."""

    row: array[int]
    width: array[int]
    value: array[float]


class _Store(NamedTuple):
    order: array[int]
    cells: dict[str, _Cells]
    units: dict[str, str]


class _AsStored:
    """Replaces what makes datetimes and other units of numbers in fitparse; we want the numbers."""

    def run_type_processor(self, field: object) -> None: ...
    def run_field_processor(self, field: object) -> None: ...
    def run_unit_processor(self, field: object) -> None: ...
    def run_message_processor(self, message: object) -> None: ...


class _Undescribed(dict[int, Any]):
    """A developer's fields. One that no field_description describes is passed over as bytes,
    where fitparse would give up the rest of the file."""

    def __contains__(self, key: object) -> bool:
        return True

    def __missing__(self, number: int) -> Any:
        return fitparse.records.DevField(
            def_num=number, type=fitparse.records.BASE_TYPE_BYTE, name=f"undescribed_{number}"
        )


class _Developers(dict[int, Any]):
    """Developers by index, including those whose developer_data_id is missing."""

    def __contains__(self, key: object) -> bool:
        return True

    def __setitem__(self, index: int, developer: dict[str, Any]) -> None:
        super().__setitem__(index, developer | {"fields": _Undescribed()})

    def __missing__(self, index: int) -> Any:
        self[index] = {}
        return self[index]


def _fill_store(data: bytes, store: Mapping[str, _Store]) -> tuple[str | None, bool]:
    """Fills `store`, and says what stopped the decoding before the end, if anything did, and
    whether that was the number of messages.

    A message is kept only once the next one has shown that it ended where it should. Where bytes
    are missing in the middle, the last message before the fault consists of two halves.
    """
    count, held = 0, None
    fault = None
    try:
        file = fitparse.FitFile(BytesIO(data), check_crc=False, data_processor=_AsStored())
        for count, message in enumerate(_decodable_messages(file), start=1):
            if held is not None:
                _store_message(held, count - 1, store[held.name])
            held = message if message.name in _WANTED_FIELDS else None
            if count == MOST_DECODED:
                return f"only the first {count} messages were decoded, one by one", True
    except (fitparse.FitParseError, struct.error) as e:
        why = "it ends there" if isinstance(e, FitEOFError) else "what follows is not FIT"
        fault = f"cannot be decoded beyond message {count} ({why}); those before it are used"
        if not isinstance(e, FitEOFError):
            return fault, False
    if held is not None:
        _store_message(held, count, store[held.name])
    return fault, False


def _decodable_messages(file: Any) -> Iterator[Any]:
    """Every message that can be decoded. One that is whole but that fitparse cannot interpret (a
    developer field of unknown type, say) is passed over."""
    while True:
        left = file._bytes_left
        try:
            for message in file.get_messages():
                # fitparse keeps every message it has seen; they are not needed again.
                file._messages.clear()
                yield message
            return
        except (fitparse.FitParseError, struct.error):
            raise
        except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as e:
            if file._bytes_left >= left:
                raise fitparse.FitParseError from e


def _store_message(message: Any, order: int, store: _Store) -> None:
    wanted = _WANTED_FIELDS[message.name]
    row = len(store.order)
    store.order.append(order)
    seen = set()
    for field in message.fields:
        if field.field_type == "devfield":
            column = developer_column(str(field.name))
            if column is None:
                continue
            name = column
            store.units[name] = str(field.units or "")
        else:
            name = field.parent_field.name if field.parent_field else field.name
            if name not in wanted:
                continue
        values = _field_numbers(field.raw_value if isinstance(field.value, str) else field.value)
        # Stated twice (plain, and expanded from a component), the first that is not null counts.
        if values and name not in seen:
            seen.add(name)
            cells = store.cells.setdefault(name, _Cells(array("q"), array("q"), array("d")))
            cells.row.append(row)
            cells.width.append(len(values))
            cells.value.extend(values)


def _field_numbers(value: object) -> Sequence[float]:
    """A field's value or values as numbers, NaN for null; empty where there is none."""
    if isinstance(value, (int, float)):
        return (value,)
    if isinstance(value, tuple):
        numbers = [v if isinstance(v, (int, float)) else np.nan for v in value]
        return [] if np.isnan(numbers).all() else numbers
    return ()


def _filled_columns(store: _Store) -> Messages:
    n = len(store.order)
    columns = {}
    for name, cells in store.cells.items():
        rows, widths = np.array(cells.row), np.array(cells.width)
        if mostly_filling(n, int(widths.max()), len(cells.value)):
            continue
        filled = np.full((n, int(widths.max())), np.nan)
        within = np.arange(widths.sum()) - np.repeat(np.cumsum(widths) - widths, widths)
        filled[np.repeat(rows, widths), within] = cells.value
        columns[name] = filled[:, 0] if filled.shape[1] == 1 else filled
    return Messages(np.array(store.order), columns, dict(store.units))
