"""CBOR (RFC 8949) as far as SenML packs need it: preferred serialisation, so the same value has the same bytes."""

import struct

Item = int | float | bool | str | list["Item"] | dict[int, "Item"]

_ARRAY, _MAP = 0x80, 0xA0
_TEXT, _NEGATIVE = 0x60, 0x20


def encoded(item: Item) -> bytes:
    """The item as CBOR. Integers up to 64 bits, floats in the shortest form that keeps the value."""
    if isinstance(item, bool):
        return b"\xf5" if item else b"\xf4"
    if isinstance(item, int):
        return _head(0, item) if item >= 0 else _head(_NEGATIVE, -1 - item)
    if isinstance(item, float):
        return _float(item)
    if isinstance(item, str):
        text = item.encode()
        return _head(_TEXT, len(text)) + text
    if isinstance(item, list):
        return _head(_ARRAY, len(item)) + b"".join(map(encoded, item))
    return _head(_MAP, len(item)) + b"".join(encoded(key) + encoded(value) for key, value in item.items())


def _head(major: int, argument: int) -> bytes:
    """Initial byte and argument (RFC 8949 section 3)."""
    if argument < 24:
        return bytes([major | argument])
    for extra, form in ((24, ">BB"), (25, ">BH"), (26, ">BI")):
        if argument < 1 << (8 << (extra - 24)):
            return struct.pack(form, major | extra, argument)
    return struct.pack(">BQ", major | 27, argument)


def _float(value: float) -> bytes:
    for initial, form in ((0xF9, ">e"), (0xFA, ">f")):
        try:
            short = struct.pack(form, value)
        except OverflowError:
            continue
        if struct.unpack(form, short)[0] == value:
            return bytes([initial]) + short
    return b"\xfb" + struct.pack(">d", value)
