"""What is wrong with the arguments of a command, as a sentence."""

from __future__ import annotations

from cyclopts import CycloptsError
from cyclopts.exceptions import (
    CoercionError,
    MissingArgumentError,
    RepeatArgumentError,
    UnknownOptionError,
    UnusedCliTokensError,
)


def what_is_wrong(wrong: CycloptsError) -> str:
    """The library's complaint in plain words; where it has none of ours, its own first sentence."""
    match wrong:
        case UnknownOptionError():
            name = wrong.token.keyword or wrong.token.value
            near = _nearest_option(name, wrong)
            return f"there is no option `{name}`{near}"
        case UnusedCliTokensError():
            rest = " ".join(wrong.unused_tokens or ())
            return f"`{rest}` is too much: a name with spaces needs quotes, an option two dashes"
        case MissingArgumentError():
            name = wrong.argument.name if wrong.argument else ""
            is_positional = wrong.argument is not None and wrong.argument.index is not None
            if is_positional and not wrong.tokens_so_far:
                return f"{name.removeprefix('--').upper()} is missing"
            return f"`{name}` needs a value"
        case RepeatArgumentError():
            return f"`{wrong.token.keyword}` is given more than once"
        case CoercionError() if wrong.token is not None:
            kind = "a whole number" if wrong.target_type is int else "a fitting value"
            return f"`{wrong.token.value}` is not {kind} for `{wrong.token.keyword}`"
        case _:
            message = " ".join(str(wrong).split())
            return message[:1].lower() + message[1:]


def _nearest_option(name: str, wrong: UnknownOptionError) -> str:
    """A hint at the option that was meant, if one is near."""
    import difflib

    known = [each for argument in wrong.argument_collection or () for each in argument.names]
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    return f"; did you mean `{near[0]}`?" if near else ""
