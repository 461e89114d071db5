"""Names that a controller's programming system takes, made from the names of a plan.

An identifier is letters, digits and single underscores, does not begin with a digit, and does not tell upper from lower
case (IEC 61131-3, 6.1.2; from memory).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import Final

LENGTH_MAX: Final = 32
"""Longer ones are cut: some programming systems compare no more (common practice, no source)."""

_WORDS: Final = """
    ABS ADD AND ANY ARRAY ASIN AT BOOL BY BYTE CASE CONSTANT CONTINUE COS CTD CTU CTUD DATE DINT DIV DO DT DWORD ELSE
    ELSIF END_CASE END_FOR END_FUNCTION END_FUNCTION_BLOCK END_IF END_PROGRAM END_REPEAT END_STRUCT END_TYPE END_VAR
    END_WHILE EQ EXIT EXP EXPT FALSE FB FOR FUNCTION FUNCTION_BLOCK F_TRIG GE GT IF INT LD LE LEFT LEN LIMIT LINT LN LOG
    LREAL LT LWORD MAX MID MIN MOD MOVE MUL MUX NE NOT OF ON OR PROGRAM REAL REPEAT RESOURCE RETAIN RETURN RIGHT ROL
    ROR RS R_TRIG SEL SHL SHR SIN SINT SQRT SR ST STEP STRING STRUCT SUB TAN TASK THEN TIME TO TOD TOF TON TP TRANSITION
    TRUE TRUNC TYPE UDINT UINT ULINT UNTIL USINT VAR WHILE WITH WORD WSTRING XOR
"""
KEYWORDS: Final = frozenset(_WORDS.split())
"""Words of the language, and short names that compilers keep for themselves."""


def identifier(text: str, *, otherwise: str) -> str:
    """``tank 1 oxygen`` becomes ``Tank1Oxygen``. ``otherwise`` stands in when nothing of the text can be used."""
    plain = unicodedata.normalize("NFKD", text.replace("ß", "ss")).encode("ascii", "ignore").decode()
    words = re.findall(r"[A-Za-z0-9]+", plain)
    name = "".join(word[0].upper() + word[1:] for word in words)[:LENGTH_MAX]
    if not name:
        return otherwise
    return f"N{name}"[:LENGTH_MAX] if name[0].isdigit() or name.upper() in KEYWORDS else name


class Names:
    """Gives out identifiers, each once, whatever their case."""

    def __init__(self, taken: Iterable[str] = ()) -> None:
        self._taken = {each.upper() for each in taken}

    def take(self, text: str, *, otherwise: str) -> str:
        """An identifier that was not given out yet."""
        wanted = identifier(text, otherwise=otherwise)
        name, number = wanted, 2
        while name.upper() in self._taken:
            tail = f"_{number}"
            name, number = wanted[: LENGTH_MAX - len(tail)] + tail, number + 1
        self._taken.add(name.upper())
        return name
