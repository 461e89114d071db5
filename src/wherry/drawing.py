"""What all pictures have alike: how they are asked for, their style, and how they become files.

Made to be read in black and white: line styles and hatches tell things apart, grey only supports them. The same content
gives the same bytes (of the SVG on any computer with the same version of the drawing library).
"""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from wherry.errors import MissingExtraError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PIXELS_PER_INCH: Final = 120
NAME_COLUMNS: Final = 24
STYLE: Final[Mapping[Any, Any]] = {
    "font.family": "DejaVu Sans",  # comes with the drawing library, so that it is the same everywhere
    "font.size": 8,
    "text.parse_math": False,
    "svg.hashsalt": "wherry",
    "svg.fonttype": "path",
    "hatch.linewidth": 0.6,
    "axes.linewidth": 0.6,
    "path.simplify": False,
}


def require(option: str = "--save") -> None:
    """MissingExtraError, with the command that installs it, unless pictures can be drawn here. ``option`` asks for
    them."""
    # It would talk about its cache and its fonts on stderr, where only our own sentences belong.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    try:
        import matplotlib  # noqa: F401 - asked for only
    except ImportError:
        raise MissingExtraError(
            f"the picture needs a part that is not installed: pip install 'wherry[lab]'; or go without {option}"
        ) from None


METADATA: Final[Mapping[str, Mapping[str, str | None]]] = {
    "svg": {"Date": None, "Creator": "wherry"},
    "png": {"Software": "wherry"},
}


def pictured(
    draw: Callable[[], Figure], kinds: Sequence[str] = tuple(METADATA), style: Mapping[Any, Any] = STYLE
) -> dict[str, bytes]:
    """What ``draw`` makes, as ``svg`` and ``png`` or one of them. It is called with our style set."""
    require()
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    made: dict[str, bytes] = {}
    with matplotlib.rc_context(), warnings.catch_warnings():
        # A name may hold signs that the font lacks; a box in their place is better than a warning.
        warnings.filterwarnings("ignore", message="Glyph")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(style)
        figure = draw()
        FigureCanvasAgg(figure)
        for kind in kinds:
            data = io.BytesIO()
            figure.savefig(data, format=kind, dpi=PIXELS_PER_INCH, metadata=METADATA[kind])
            made[kind] = data.getvalue()
    return made


def cut(text: str, most: int) -> str:
    """The text, cut to a number of characters."""
    return text if len(text) <= most else text[: most - 3] + "..."


def middle_cut(name: str, columns_max: int = NAME_COLUMNS) -> str:
    """A name cut in its middle: what tells long names apart is often their end."""
    if len(name) <= columns_max:
        return name
    tail = (columns_max - 3) // 2
    return f"{name[: columns_max - 3 - tail]}...{name[-tail:]}"
