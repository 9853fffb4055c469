"""Text as SQLite can hold it."""


def clean(text: str) -> str:
    """Half characters (lone surrogates), which no UTF-8 has, become '?'."""
    return text if text.isascii() else text.encode("utf-8", "replace").decode("utf-8")
