"""Documents that keep step: links lead somewhere, the changelog knows this version, every command is told of."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path, PurePosixPath

from wherry import __version__
from wherry.cli.main import COMMANDS

LINK = re.compile(r"(?<!!)\[[^\]\n]+\]\(([^)\s]+)\)")
FENCE = re.compile(r"^(`{3,}).*?^\1`*$", re.DOTALL | re.MULTILINE)
HEADING = re.compile(r"^#{1,6} +(.+?) *#*$", re.MULTILINE)
TITLE = re.compile(r"^# ", re.MULTILINE)


def anchor_of(heading: str) -> str:
    """The fragment under which a heading is found: lower case, spaces to hyphens, other signs dropped."""
    plain = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading).lower()
    return re.sub(r"[^\w\- ]", "", plain).replace(" ", "-")


def link_violations(documents: dict[str, str], paths: set[str]) -> list[str]:
    """Sentences about links to files or headings that are not there. Links to other hosts are not followed."""
    anchors = {
        path: {anchor_of(each) for each in HEADING.findall(FENCE.sub("", text))} for path, text in documents.items()
    }
    folders = {str(parent) for path in paths for parent in PurePosixPath(path).parents}
    found = []
    for path, text in documents.items():
        for target in LINK.findall(FENCE.sub("", text)):
            if re.match(r"[a-z]+:", target):
                continue
            file, _, anchor = target.partition("#")
            where = normal(PurePosixPath(path).parent / file) if file else path
            if where not in paths and where not in folders:
                found.append(f"{path}: the link to {target} leads nowhere")
            elif anchor and anchor not in anchors.get(where, set()):
                found.append(f"{path}: {where} has no heading for #{anchor}")
    return found


def normal(path: PurePosixPath) -> str:
    """Without ``..``."""
    parts: list[str] = []
    for part in path.parts:
        if part == "..":
            parts = parts[:-1]
        elif part != ".":
            parts.append(part)
    return "/".join(parts)


def title_violations(path: str, text: str) -> list[str]:
    """Each document begins with its one title."""
    plain = FENCE.sub("", text)
    if len(TITLE.findall(plain)) != 1 or not plain.startswith("# "):
        return [f"{path}: a document begins with one title line and has no second one"]
    return []


def changelog_violations(text: str, version: str) -> list[str]:
    """The changelog has a section for what is being built, or for the version it calls itself."""
    headings = re.findall(r"^## (.+)$", text, re.MULTILINE)
    if not any(each == "Unreleased" or each.split()[0] == version for each in headings):
        return [f"CHANGELOG.md: no section `## Unreleased` or `## {version}`"]
    return []


def documents_of(texts: dict[str, str]) -> dict[str, str]:
    """The documents for people; test data in Markdown is something else."""
    return {path: text for path, text in texts.items() if path.endswith(".md") and not path.startswith("tests/")}


def test_links_lead_somewhere(texts: dict[str, str]) -> None:
    assert link_violations(documents_of(texts), set(texts)) == []


def test_each_document_has_one_title(texts: dict[str, str]) -> None:
    found = [each for path, text in documents_of(texts).items() for each in title_violations(path, text)]
    assert found == []


def test_documents_named_elsewhere_exist(texts: dict[str, str]) -> None:
    named = {
        (path, match[0])
        for path, text in texts.items()
        for match in re.finditer(r"\bdocs/[\w/-]+\.md\b", text)
        if not path.startswith("tests/tidy/")
    }
    assert [f"{path} names {document}" for path, document in sorted(named) if document not in texts] == []


def test_changelog_knows_this_version(root: Path) -> None:
    assert changelog_violations((root / "CHANGELOG.md").read_text(encoding="utf-8"), __version__) == []


def test_version_is_the_same_everywhere(root: Path) -> None:
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == __version__


def test_constraints_are_exact(root: Path) -> None:
    lines = (root / "constraints.txt").read_text(encoding="utf-8").splitlines()
    loose = [line for line in lines if not line.startswith("#") and not re.fullmatch(r"[\w.-]+==[\w.]+", line)]
    assert loose == []


def test_every_command_is_told_of(texts: dict[str, str]) -> None:
    told = "\n".join(documents_of(texts).values())
    assert [name for name in COMMANDS if f"wherry {name}" not in told] == []


def test_message_of_a_dead_link() -> None:
    documents = {
        "docs/a.md": "# A\n\n[b](b.md), [up](../README.md), [here](#a), [far](https://example.org), [no](#b)\n"
    }
    assert link_violations(documents, {"docs/a.md", "README.md"}) == [
        "docs/a.md: the link to b.md leads nowhere",
        "docs/a.md: docs/a.md has no heading for #b",
    ]


def test_a_link_in_a_code_block_is_no_link() -> None:
    assert link_violations({"a.md": "# A\n```toml\n[x](y)\n```\n"}, {"a.md"}) == []


def test_message_of_a_second_title() -> None:
    wanted = ["a.md: a document begins with one title line and has no second one"]
    assert title_violations("a.md", "# A\n\n# B\n") == wanted
    assert title_violations("a.md", "text\n") == wanted
    assert title_violations("a.md", "# A\n```sh\n# a comment\n```\n") == []


def test_message_of_a_missing_changelog_section() -> None:
    assert changelog_violations("# Changes\n", "1.2.3") == ["CHANGELOG.md: no section `## Unreleased` or `## 1.2.3`"]
    assert changelog_violations("# Changes\n\n## 1.2.3 (2026-01-01)\n", "1.2.3") == []


def test_anchors() -> None:
    assert anchor_of("Data age, and `max_age`") == "data-age-and-max_age"
