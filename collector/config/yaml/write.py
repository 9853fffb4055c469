"""Plain data to YAML text that a person could have written: short groups on one line, long ones below each other."""

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import yaml

_PLAIN_START = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789/"
_SPECIAL = set(",[]{}#&*!|>'\"%@`:?\\")


def block(key: str, value: Any, indent: str) -> list[str]:
    """The lines of `key: value`, each starting with `indent`; groups that hold groups go over several lines."""
    if isinstance(value, Mapping) and any(_is_group(below) for below in value.values()):
        lines = [f"{indent}{scalar(key)}:"]
        for name, below in value.items():
            lines += block(name, below, indent + "  ")
        return lines
    if isinstance(value, Sequence) and not isinstance(value, str) and any(_is_group(item) for item in value):
        return [f"{indent}{scalar(key)}:", *(f"{indent}  - {flow(item)}" for item in value)]
    return [f"{indent}{pair(key, value)}"]


def _is_group(value: Any) -> bool:
    return isinstance(value, (Mapping, list, tuple))


def pair(key: str, value: Any) -> str:
    """`key: value` on one line."""
    return f"{scalar(key)}: {flow(value)}"


def flow(value: Any) -> str:
    """The value on one line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(pair(key, below) for key, below in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(flow(item) for item in value) + "]"
    return scalar(value)


def scalar(value: str | float) -> str:
    """Text or a number so that YAML reads the same back, in quotes only where it must be."""
    if isinstance(value, (int, float)):
        return _number(float(value))
    return value if _reads_back(value) else _quoted(value)


def _number(value: float) -> str:
    if not math.isfinite(value):
        return {"nan": ".nan", "inf": ".inf", "-inf": "-.inf"}[repr(value)]
    if value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    mantissa, e, exponent = repr(value).partition("e")  # YAML 1.1 takes 1.0e-05 for a number, 1e-05 for text
    return f"{mantissa}{'' if '.' in mantissa or not e else '.0'}{e}{exponent}"


def _reads_back(text: str) -> bool:
    """Whether the text can stand without quotes, also between commas and brackets."""
    calm = text.isascii() and text.isprintable() and text[:1] in _PLAIN_START and text == text.strip()
    unit_sign = text.endswith(" %") and not _SPECIAL & set(text[:-2])
    if not text or not calm or (_SPECIAL & set(text) and not unit_sign):
        return False
    read = yaml.SafeLoader(text)
    node = read.get_single_node()
    return isinstance(node, yaml.ScalarNode) and node.value == text and node.tag.endswith((":str", ":timestamp"))


def _quoted(text: str) -> str:
    """YAML takes JSON's strings, but breaks lines at some characters that JSON leaves as they are."""
    return "".join(
        letter if letter.isprintable() else _escaped(letter) for letter in json.dumps(text, ensure_ascii=False)
    )


def _escaped(character: str) -> str:
    return f"\\u{ord(character):04x}" if ord(character) < 0x10000 else f"\\U{ord(character):08x}"
