"""SenML in CBOR (RFC 8428 section 6): the same records under whole-number labels; text labels are taken as well.

Numbers may be integers of any size, floats, decimal fractions or bigfloats. A NaN is kept, as the probe's way to say
"no value". The numbers behind tags are made here and not by the CBOR library: made exactly, a single one of the longest
payload takes seconds, and as labels they could be chosen so that all hash alike.
"""

import math
from collections.abc import Callable
from io import BytesIO

import cbor2

from collector.intake.record import MAX_RECORDS, Record, Unreadable, check_size
from collector.intake.senml_resolve import LABELS, resolve

_LABEL = {
    -1: "bver",
    -2: "bn",
    -3: "bt",
    -4: "bu",
    -5: "bv",
    -6: "bs",
    0: "n",
    1: "u",
    2: "v",
    3: "vs",
    4: "vb",
    5: "s",
    6: "t",
    7: "ut",
    8: "vd",
}
_MARK = b"\xd9\xd9\xf7"
"""Tag 55799: "this is CBOR" (RFC 8949 section 3.4.6), which says nothing about the pack."""
_MAX_DEPTH = 32
_MAX_MANTISSA_BITS = 1024


def read_senml_cbor(payload: bytes, now_s: float) -> list[Record]:
    """The records of a SenML CBOR pack in chronological order; times relative to `now_s` are marked `stamped`.

    Raises Unreadable and nothing else.
    """
    check_size(payload)
    pack = _decode(payload.removeprefix(_MARK))
    if isinstance(pack, list) and len(pack) <= MAX_RECORDS:
        pack = [_in_words(number, labels) for number, labels in enumerate(pack, 1)]
    return resolve(pack, now_s)


def _decode(payload: bytes) -> object:
    source = BytesIO(payload)
    decoder = cbor2.CBORDecoder(source, semantic_decoders=_TAGS, max_depth=_MAX_DEPTH, allow_duplicate_keys=False)
    try:
        pack: object = decoder.decode()
    except (cbor2.CBORError, ValueError, TypeError, ArithmeticError, LookupError, RecursionError) as error:
        raise Unreadable(f"not CBOR that can be read: {error}") from None
    rest = len(payload) - source.tell()
    if rest:
        raise Unreadable(f"{rest} bytes after the end of the pack")
    return pack


def _in_words(number: int, labels: object) -> object:
    """A record with the labels of the JSON form. Labels nobody knows are passed on for the rules to judge."""
    if not isinstance(labels, dict):
        return labels
    named: dict[object, object] = {}
    for key, value in labels.items():
        # True and 1.0 are equal to 1 as dictionary keys, and are no label.
        label = _LABEL.get(key) if type(key) is int else key if isinstance(key, str) else None
        if label is None:
            continue
        if label in named and label in LABELS:
            raise Unreadable(f"record {number}: label {label} twice, as a number and as text")
        named[label] = value
    return named


def _bignum(content: object, immutable: bool) -> object:
    if not isinstance(content, bytes):
        return cbor2.undefined
    try:
        return float(int.from_bytes(content, "big"))
    except OverflowError:
        return math.inf


def _negative_bignum(content: object, immutable: bool) -> object:
    size = _bignum(content, immutable)
    return -1.0 - size if isinstance(size, float) else size


def _decimal_fraction(content: object, immutable: bool) -> object:
    parts = _exponent_and_mantissa(content)
    return cbor2.undefined if parts is None else float(f"{parts[1]}e{parts[0]}")


def _bigfloat(content: object, immutable: bool) -> object:
    parts = _exponent_and_mantissa(content)
    if parts is None:
        return cbor2.undefined
    try:
        return math.ldexp(parts[1], parts[0])
    except OverflowError:
        return math.inf


def _exponent_and_mantissa(content: object) -> tuple[int, int] | None:
    if not isinstance(content, (list, tuple)) or len(content) != 2:
        return None
    exponent, mantissa = content
    if type(exponent) is not int:
        return None
    if isinstance(mantissa, float) and mantissa.is_integer():  # a bignum
        mantissa = int(mantissa)
    if type(mantissa) is not int or mantissa.bit_length() > _MAX_MANTISSA_BITS:
        return None
    return exponent, mantissa


def _nothing(content: object, immutable: bool) -> object:
    return cbor2.undefined


_TAGS: dict[int, Callable[[object, bool], object]] = {
    2: _bignum,
    3: _negative_bignum,
    4: _decimal_fraction,
    5: _bigfloat,
    30: _nothing,  # rational numbers, regular expressions, mail: no part of SenML
    35: _nothing,
    36: _nothing,
}
