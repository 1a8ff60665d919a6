"""Numbers as people write them, kept exact: ``6``, ``6.5``, ``1/2``, ``6 1/2``, ``6-1/2``."""

from __future__ import annotations

import re
from fractions import Fraction

from survey.errors import InputError

LONGEST_TEXT = 60  # characters; a length or slope never needs more
_SAME = {  # typographic forms of the same sign
    "\u2032": "'", "\u2019": "'", "\u2018": "'", "\u02b9": "'", "\u00b4": "'", "`": "'",
    "\u2033": '"', "\u201d": '"', "\u201c": '"', "\u201f": '"', "\u02ba": '"', "\u201e": '"',
    "\u2212": "-", "\u2013": "-", "\u2011": "-", "\u2010": "-",
    "\u2044": "/", "\u2236": ":",
    "\u00a0": " ", "\u2009": " ", "\u202f": " ", "\u2007": " ", "\t": " ",
    "\u00ba": "\u00b0", "\u02da": "\u00b0",
}  # fmt: skip
_FRACTION_SIGNS = {
    "½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8",
    "⅓": "1/3", "⅔": "2/3", "⅙": "1/6", "⅚": "5/6", "⅕": "1/5", "⅖": "2/5", "⅗": "3/5",
    "⅘": "4/5", "⅒": "1/10", "⅑": "1/9", "⅐": "1/7",
}  # fmt: skip
DECIMAL = r"(?:[0-9]{1,9}(?:\.[0-9]{1,9})?|\.[0-9]{1,9})"
FRACTION = r"[0-9]{1,4}/[0-9]{1,4}"
MIXED = rf"[0-9]{{1,9}}[ -]{FRACTION}"
NUMBER = rf"(?:{MIXED}|{FRACTION}|{DECIMAL})"


def tidy(text: str) -> str:
    """Bring typographic quotes, primes, dashes, spaces and fraction signs to their plain forms."""
    plain = "".join(_SAME.get(character, character) for character in text)
    for sign, written in _FRACTION_SIGNS.items():
        plain = re.sub(rf"(?<=[0-9]) ?{sign}", f" {written}", plain).replace(sign, written)
    plain = plain.replace("''", '"')
    return re.sub(r" +", " ", plain).strip()


def refuse_strange_text(text: str, noun: str, where: str, example: str) -> None:
    """Raise for text that is no honest attempt at a quantity: empty, endless, odd digits.

    Raises
    ------
    InputError
        With the reason; `noun` names what was expected ("length"), `example` shows one.
    """
    cure = f"write it like {example}"
    shown = text if len(text) <= LONGEST_TEXT else text[:LONGEST_TEXT] + "..."
    if not text.strip():
        raise InputError(f"a {noun} is missing", where=where, cure=cure)
    if len(text) > LONGEST_TEXT:
        raise InputError(f"{quoted(shown)} is too long for a {noun}", where=where, cure=cure)
    if any(character.isdigit() and not character.isascii() for character in text):
        raise InputError(
            f"{quoted(shown)} has digits other than 0-9", where=where, cure="type plain digits"
        )
    if "_" in text:
        raise InputError(
            f"{quoted(shown)} has an underscore, which is no part of a {noun}",
            where=where,
            cure=cure,
        )
    if "," in text:
        raise InputError(
            f"the comma in {quoted(shown)} could part thousands or decimals",
            where=where,
            cure="write decimals with a point and thousands without a mark",
        )
    if re.search(r"[0-9]\.?[eE][+-]?[0-9]", text):
        raise InputError(
            f"{quoted(shown)} is written with an exponent", where=where, cure="write it in full"
        )
    if re.search(r"\bnan\b|\binf(inity)?\b", text, re.IGNORECASE):
        raise InputError(f"{quoted(shown)} is no {noun}", where=where, cure=cure)


def parse_number(text: str) -> Fraction:
    """Exact value of text that matches `NUMBER`.

    Raises
    ------
    ValueError
        With the reason as a clause ("its fraction 5/4 is not under one"), for the caller to place.
    """
    whole, _, fraction = text.replace("-", " ").rpartition(" ")
    if "/" not in fraction:
        return Fraction(fraction)
    above, below = (int(part) for part in fraction.split("/"))
    if below == 0:
        raise ValueError(f"its fraction {fraction} divides by zero")
    if whole and above >= below:
        raise ValueError(f"its fraction {fraction} is not under one")
    return Fraction(int(whole) if whole else 0) + Fraction(above, below)


def quoted(text: str) -> str:
    """Quote what was read so that inch and foot marks stay readable and control signs harmless."""
    shown = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)
    return f'"{shown}"' if '"' not in shown else f"«{shown}»"
