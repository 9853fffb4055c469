"""What the kept samples of a topic say about the format they come in, by how they begin: samples may be cut short."""

from collections.abc import Iterable

from collector.domain.lab import Format
from collector.domain.problems import wrong
from collector.intake.number import read_number
from collector.intake.placing import topic_fits
from collector.intake.record import Unreadable
from collector.store.tables.oddity_rows import Stranger

_BEGINS = {b"[": (Format.SENML_JSON, Format.JSON), b"{": (Format.JSON,)}
_CBOR_ARRAYS = range(0x80, 0xA0)
"""First bytes of an array in CBOR (RFC 8949), which a SenML pack is."""


def refuse_other_format(topic: str, form: Format, strangers: Iterable[Stranger]) -> None:
    """Stops with one line where all that came at `topic`, which may have '+' levels, is plainly in another format."""
    told = [
        (stranger, fits)
        for stranger in strangers
        if topic_fits(topic, stranger.topic) and (fits := formats_of(stranger.sample))
    ]
    if told and not any(form in fits for _, fits in told):
        stranger, fits = told[0]
        shown = (
            stranger.sample[:40].decode("utf-8", "replace")
            if Format.SENML_CBOR not in fits
            else stranger.sample[:20].hex(" ")
        )
        wrong(
            f"--format {form.value}: what comes at {stranger.topic} is no such message: {shown}; give --format"
            f" {' or '.join(fit.value for fit in fits)}"
        )


def formats_of(sample: bytes) -> tuple[Format, ...]:
    """Formats that a message which begins so can be in; empty where that cannot be told."""
    begins = sample.lstrip()[:1]
    if begins in _BEGINS:
        return _BEGINS[begins]
    if sample and sample[0] in _CBOR_ARRAYS:
        return (Format.SENML_CBOR,)
    try:
        read_number(sample)
    except Unreadable:
        return ()
    return (Format.NUMBER, Format.JSON)
