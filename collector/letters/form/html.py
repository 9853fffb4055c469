"""Blocks as an HTML page for mail programs: nothing from elsewhere, no script, no picture needed to understand it, and
nothing said by colour alone. Styles stand at the elements, since many mail programs drop all others.

All text is escaped here and nowhere else. Dark on white, one column, sizes for a phone held in a hand.
"""

from collections.abc import Iterator, Sequence
from html import escape
from typing import assert_never

from collector.letters.form.blocks import (
    Block,
    Bullets,
    Fields,
    Heading,
    HowToAnswer,
    Lead,
    Passage,
    PicturePlace,
    glued,
)

PICTURE = "<!--picture-->"
"""Where the picture goes; no text can hold this, since '<' is escaped in every text."""

_FACE = "font-family:Verdana,'DejaVu Sans',Arial,sans-serif"
_BODY = f"margin:0;padding:0;background:#ffffff;color:#1c1c1c;{_FACE};font-size:16px;line-height:1.5"
_MAIN = "max-width:600px;margin:0 auto;padding:16px;overflow-wrap:anywhere;word-break:break-word"
_HIDDEN = "display:none;max-height:0;overflow:hidden"
_TAG = "display:inline-block;border:2px solid #1c1c1c;border-radius:4px;padding:0 8px;font-weight:bold;font-size:15px"
_H1 = "font-size:21px;line-height:1.3;margin:8px 0 16px"
_H2 = "font-size:18px;line-height:1.3;margin:8px 0 12px"
_H3 = "font-size:16px;margin:20px 0 4px"
_P = "margin:0 0 10px"
_TH = "text-align:left;vertical-align:top;font-weight:normal;color:#4a4a4a;padding:3px 12px 3px 0;white-space:nowrap"
_TD = "text-align:left;vertical-align:top;padding:3px 0"
_UL = "margin:4px 0 12px;padding-left:22px"
_LI = "margin:0 0 8px"
_BUTTON = (
    "display:inline-block;background:#1f4d2e;color:#ffffff;border:2px solid #1f4d2e;border-radius:6px;"
    "padding:10px 18px;font-weight:bold;text-decoration:none"
)
_CODE = (
    "display:block;background:#f2f2ee;border:1px solid #b8b8b0;border-radius:4px;padding:8px;font-size:14px;"
    "font-family:'DejaVu Sans Mono',Consolas,monospace"
)
_LINE = "border:0;border-top:2px solid #b8b8b0;margin:24px 0 12px"
_IMG = "display:block;width:100%;max-width:600px;height:auto;border:0"


def page(title: str, blocks: Sequence[Block]) -> str:
    """The whole page; `title` is the message's subject."""
    lead = next((block.text for block in blocks if isinstance(block, Lead)), "")
    title_tag = "h3" if any(isinstance(block, Heading) and block.level > 1 for block in blocks) else "h2"
    inner = "\n".join(line for block in blocks for line in _element(block, title_tag))
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light">\n'
        f'<title>{escape(title)}</title>\n</head>\n<body style="{_BODY}">\n'
        f'<div style="{_HIDDEN}">{escape(lead)}</div>\n'
        f'<main style="{_MAIN}">\n{inner}\n</main>\n</body>\n</html>\n'
    )


def with_picture(html: str, content_id: str, words: str) -> str:
    """The page with the picture `content_id` of the same mail in its place; without an id, without one."""
    image = f'<img src="cid:{escape(content_id)}" style="{_IMG}" alt="{escape(words)}">'
    figure = f'<p style="{_P}">The last 3 days:</p>\n<p style="{_P}">{image}</p>'
    return html.replace(PICTURE, figure if content_id else "", 1)


def _element(block: Block, title_tag: str) -> Iterator[str]:
    match block:
        case Lead():
            return
        case Heading(text, tag, level):
            yield from _heading(text, tag, level)
        case Fields(rows):
            yield from _fields(rows)
        case Passage(title, paragraphs):
            yield from _title(title, title_tag)
            yield from (f'<p style="{_P}">{_text(part)}</p>' for part in paragraphs)
        case Bullets(title, lines):
            yield from _title(title, title_tag)
            yield f'<ul style="{_UL}">'
            yield from (f'<li style="{_LI}">{_text(line)}</li>' for line in lines)
            yield "</ul>"
        case HowToAnswer():
            yield from _answer(block, title_tag)
        case PicturePlace():
            yield PICTURE
        case _:
            assert_never(block)


def _heading(text: str, tag: str, level: int) -> Iterator[str]:
    if level > 1:
        yield f'<hr style="{_LINE}">'
    if tag:
        yield f'<div style="margin:0"><span style="{_TAG}">{escape(tag)}</span></div>'
    yield f'<h{level} style="{_H1 if level == 1 else _H2}">{_text(text)}</h{level}>'


def _text(text: str) -> str:
    return escape(glued(text)).replace("\u00a0", "&nbsp;")


def _title(title: str, tag: str) -> Iterator[str]:
    if title:
        yield f'<{tag} style="{_H3}">{escape(title)}</{tag}>'


def _fields(rows: Sequence[tuple[str, str]]) -> Iterator[str]:
    yield '<table style="border-collapse:collapse;margin:0 0 12px">'
    for label, text in rows:
        yield f'<tr><th scope="row" style="{_TH}">{escape(label)}</th><td style="{_TD}">{_text(text)}</td></tr>'
    yield "</table>"


def _answer(block: HowToAnswer, title_tag: str) -> Iterator[str]:
    yield from _title(block.title, title_tag)
    if block.url:
        link = f'<a href="{escape(block.url)}" style="{_BUTTON}">{escape(block.button)}</a>'
        yield f'<p style="margin:8px 0 12px">{link}</p>'
        yield f'<p style="{_P}">or type:</p>'
    yield f'<p style="{_P}"><code style="{_CODE}">{escape(" ".join(block.command))}</code></p>'
