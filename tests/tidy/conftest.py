"""What the house rules look at: the files of the repository, tracked or about to be."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
TOPS_WITHOUT_GIT = ("src", "tests", "docs", "examples", "bench", "tools")


def list_files() -> tuple[str, ...]:
    """Paths from the root, as git sees them (ignored ones left out); without git, all under the known folders."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
    try:
        listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout.splitlines()
    except (OSError, subprocess.CalledProcessError):
        listed = [str(path.relative_to(ROOT)) for top in TOPS_WITHOUT_GIT for path in (ROOT / top).rglob("*")]
        listed += [path.name for path in ROOT.iterdir()]
        listed = [path for path in listed if "__pycache__" not in path and "/bin/" not in path]
    return tuple(sorted(path for path in set(listed) if (ROOT / path).is_file()))


@pytest.fixture(scope="session")
def root() -> Path:
    """The repository."""
    return ROOT


@pytest.fixture(scope="session")
def texts() -> dict[str, str]:
    """Every text file: path from the root -> content."""
    found = {}
    for path in list_files():
        try:
            found[path] = (ROOT / path).read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
    return found


@pytest.fixture(scope="session")
def sources(texts: dict[str, str]) -> dict[str, str]:
    """Every Python file: path from the root -> content."""
    return {path: text for path, text in texts.items() if path.endswith(".py")}
