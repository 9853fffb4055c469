"""Rows read straight from the pages of a database file, where SQLite itself can no longer open or follow them.

The layout is that of the SQLite file format (sqlite.org/fileformat2.html, sections 1.6 "B-tree Pages", 1.7 "Cell
Payload Overflow Pages" and 2.1 "Record Format"). Nothing is believed: a page, a cell or a record that does not add up
is left out and counted, and a pointer that leads back to a page already seen is not followed.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from mmap import mmap
from struct import unpack_from

Value = int | float | str | bytes | None

_LEAF_TABLE, _INNER_TABLE, _LEAF_INDEX, _INNER_INDEX = 0x0D, 0x05, 0x0A, 0x02
_HEADER = {_LEAF_TABLE: 8, _LEAF_INDEX: 8, _INNER_TABLE: 12, _INNER_INDEX: 12}
_FILE_HEADER = 100
"""Bytes before the b-tree of page 1."""
_INT_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}
_WAL_LITTLE, _WAL_BIG = 0x377F0682, 0x377F0683
"""How a write-ahead log begins, by the order of bytes in its checksums."""
_LONGEST_PAYLOAD = 1 << 24
"""No row of a journal comes near it (16 MiB)."""


class _Unreadable(Exception):
    """What stands here is no such thing."""


@dataclass(frozen=True, slots=True)
class Carved:
    """One row. `rowid` is None in a table without rowids, whose `values` begin with its key."""

    page: int
    rowid: int | None
    values: tuple[Value, ...]


@dataclass(slots=True)
class FilePages:
    """A database file as pages, numbered from 1.

    `data`: the whole file. `page_size`: bytes of a page, 512 to 65,536. `reserved`: unused bytes at the end of each.
    `newer`: pages that its write-ahead log holds in a newer form.
    """

    data: memoryview
    page_size: int
    reserved: int = 0
    newer: Mapping[int, bytes] = field(default_factory=dict)
    unreadable: set[int] = field(default_factory=set)
    """Pages that were looked for as part of a table and are none."""
    bad_cells: int = 0
    """Rows that a readable page says it has and that do not add up."""

    @property
    def count(self) -> int:
        return max(len(self.data) // self.page_size, max(self.newer, default=0))

    def rows(self, root: int) -> Iterator[Carved]:
        """Every row of the table whose tree begins at page `root`, as far as its pages can be followed."""
        seen: set[int] = set()
        to_do = [root]
        while to_do:
            number = to_do.pop()
            if number in seen:
                continue
            seen.add(number)
            page = self._page(number)
            kind = _kind(page, number)
            if kind is None:
                self.unreadable.add(number)
                continue
            if kind in (_INNER_TABLE, _INNER_INDEX):
                to_do += reversed(self._children(page, number, kind))
            if kind != _INNER_TABLE:
                yield from self._cells(page, number, kind)

    def leaves(self) -> Iterator[int]:
        """Numbers of all pages that look like leaves of a table with rowids, whichever table it is, in their order."""
        return (number for number in range(1, self.count + 1) if _kind(self._page(number), number) == _LEAF_TABLE)

    def leaf_rows(self, number: int) -> Iterator[Carved]:
        """The rows of one such page."""
        return self._cells(self._page(number), number, _LEAF_TABLE)

    def _page(self, number: int) -> memoryview | bytes:
        """Empty where the file has no such page."""
        if number in self.newer:
            return self.newer[number]
        start = (number - 1) * self.page_size
        return self.data[start : start + self.page_size] if 0 <= start <= len(self.data) - self.page_size else b""

    def _pointers(self, page: memoryview | bytes, number: int, kind: int) -> tuple[int, ...]:
        """Offsets of the cells in their page."""
        head = _head(number)
        (cells,) = unpack_from(">H", page, head + 3)
        offsets = unpack_from(f">{cells}H", page, head + _HEADER[kind])
        within = range(head + _HEADER[kind], self.page_size - 3)
        good = tuple(offset for offset in offsets if offset in within)
        self.bad_cells += len(offsets) - len(good)
        return good

    def _children(self, page: memoryview | bytes, number: int, kind: int) -> list[int]:
        last = unpack_from(">I", page, _head(number) + 8)[0]
        return [*(unpack_from(">I", page, cell)[0] for cell in self._pointers(page, number, kind)), last]

    def _cells(self, page: memoryview | bytes, number: int, kind: int) -> Iterator[Carved]:
        for at in self._pointers(page, number, kind):
            try:
                found = self._cell(page, number, kind, at)
            except (_Unreadable, IndexError, ValueError):
                self.bad_cells += 1
                continue
            yield found

    def _cell(self, page: memoryview | bytes, number: int, kind: int, at: int) -> Carved:
        if kind == _INNER_INDEX:
            at += 4
        size, at = _varint(page, at)
        rowid = None
        if kind == _LEAF_TABLE:
            rowid, at = _varint(page, at)
        return Carved(number, rowid, _record(self._payload(page, kind, size, at)))

    def _payload(self, page: memoryview | bytes, kind: int, size: int, at: int) -> bytes:
        """`size` bytes from `at` on, the rest of them on overflow pages."""
        if not 0 < size <= _LONGEST_PAYLOAD:
            raise _Unreadable
        usable = self.page_size - self.reserved
        most = usable - 35 if kind == _LEAF_TABLE else (usable - 12) * 64 // 255 - 23
        if size <= most:
            if at + size > len(page):
                raise _Unreadable
            return bytes(page[at : at + size])
        least = (usable - 12) * 32 // 255 - 23
        here = least + (size - least) % (usable - 4)
        if here > most:
            here = least
        if at + here + 4 > len(page):
            raise _Unreadable
        (further,) = unpack_from(">I", page, at + here)
        return bytes(page[at : at + here]) + self._overflow(further, size - here, usable - 4)

    def _overflow(self, number: int, left: int, room: int) -> bytes:
        parts: list[bytes] = []
        seen: set[int] = set()
        while left > 0:
            page = self._page(number)
            if number in seen or number < 2 or not page:
                raise _Unreadable
            seen.add(number)
            taken = min(left, room)
            parts.append(bytes(page[4 : 4 + taken]))
            left -= taken
            (number,) = unpack_from(">I", page, 0)
        return b"".join(parts)


def pages_of(data: bytes | mmap, page_size: int, wal: bytes = b"") -> FilePages:
    """The pages of a whole file, with what its write-ahead log holds. The first page says how large they are; where it
    is gone, `page_size` stands in."""
    whole = memoryview(data).cast("B")
    reserved = 0
    if bytes(whole[:16]) == b"SQLite format 3\0":
        said = unpack_from(">H", whole, 16)[0]
        said = 65_536 if said == 1 else said
        if 512 <= said <= 65_536 and said & (said - 1) == 0 and whole[20] <= said - 480:
            page_size, reserved = said, whole[20]
    return FilePages(whole, page_size, reserved, newer_pages(wal, page_size))


def newer_pages(wal: bytes, page_size: int) -> dict[int, bytes]:
    """Pages by number as the last whole transaction of a write-ahead log left them (section 4 of the file format)."""
    if len(wal) < 32 or unpack_from(">I", wal)[0] not in (_WAL_LITTLE, _WAL_BIG):
        return {}
    (magic, _version, size, _sequence, *salts, first, second) = unpack_from(">IIIIIIII", wal)
    order = ">" if magic == _WAL_BIG else "<"
    if size != page_size or _summed(wal[:24], order, (0, 0)) != (first, second):
        return {}
    sums, at = (first, second), 32
    whole: dict[int, bytes] = {}
    begun: dict[int, bytes] = {}
    while at + 24 + size <= len(wal):
        number, pages, salt_1, salt_2, first, second = unpack_from(">IIIIII", wal, at)
        page = wal[at + 24 : at + 24 + size]
        sums = _summed(page, order, _summed(wal[at : at + 8], order, sums))
        if [salt_1, salt_2] != salts or sums != (first, second):
            break
        begun[number] = page
        if pages:  # the last page of a transaction
            whole.update(begun)
            begun.clear()
        at += 24 + size
    return whole


def _summed(data: bytes, order: str, sums: tuple[int, int]) -> tuple[int, int]:
    """The checksum of the log, carried on over `data` (section 4.2)."""
    first, second = sums
    words = unpack_from(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & 0xFFFFFFFF
        second = (second + odd + first) & 0xFFFFFFFF
    return first, second


def _head(number: int) -> int:
    """Where the tree begins in its page."""
    return _FILE_HEADER if number == 1 else 0


def _kind(page: memoryview | bytes, number: int) -> int | None:
    """What kind of page of a tree it is; None: it is none."""
    head = _head(number)
    if len(page) <= head + 12 or page[head] not in _HEADER:
        return None
    kind = page[head]
    (cells,) = unpack_from(">H", page, head + 3)
    return kind if cells * 2 <= len(page) - head - _HEADER[kind] else None


def _varint(data: memoryview | bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes (section 1.6), and the place after it."""
    value = 0
    for step in range(8):
        byte = data[at + step]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + step + 1
    value = value << 8 | data[at + 8]
    return (value - (1 << 64) if value >= 1 << 63 else value), at + 9


def _record(payload: bytes) -> tuple[Value, ...]:
    """The values of a record; all of it must be used up."""
    head, at = _varint(payload, 0)
    if not at <= head <= len(payload):
        raise _Unreadable
    kinds = []
    while at < head:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    if at != head:
        raise _Unreadable
    values: list[Value] = []
    for kind in kinds:
        value, at = _value(kind, payload, at)
        values.append(value)
    if at != len(payload):
        raise _Unreadable
    return tuple(values)


def _value(kind: int, payload: bytes, at: int) -> tuple[Value, int]:
    if kind == 0:
        return None, at
    if kind in (8, 9):
        return kind - 8, at
    size = _INT_BYTES.get(kind, 8 if kind == 7 else (kind - 12) // 2)
    end = at + size
    if kind < 0 or kind in (10, 11) or end > len(payload):
        raise _Unreadable
    if kind == 7:
        return unpack_from(">d", payload, at)[0], end
    if kind in _INT_BYTES:
        return int.from_bytes(payload[at:end], "big", signed=True), end
    return (payload[at:end].decode("utf-8", "replace") if kind % 2 else payload[at:end]), end
