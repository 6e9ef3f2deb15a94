"""What the pages say is so: every command can be called as shown, every module is named."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
from fnmatch import fnmatch
from pathlib import Path

import pytest

from controller.records import Known, Reason
from tests.pages import PAGES, ROOT, Shown, shown_commands
from tui.arguments import build_parser


def test_there_are_commands_to_try() -> None:
    assert len(shown_commands()) > 10


def test_every_command_that_is_named_is_there() -> None:
    known = build_parser().format_help()
    for page in PAGES:
        for name in re.findall(r"`linewarden ([a-z]+)", page.read_text(encoding="utf-8")):
            assert re.search(rf"^ +{name}( |$)", known, re.MULTILINE), f"{page.name}: {name}"


@pytest.mark.parametrize("shown", shown_commands(), ids=lambda shown: f"{shown.page}: {shown.text}")
def test_a_command_that_is_shown_can_be_called_so(shown: Shown) -> None:
    words = shlex.split(re.split(r"\s[|>&]", shown.text)[0])[1:]
    said, code = io.StringIO(), 0
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(said):
        try:
            build_parser().parse_args(words)
        except SystemExit as end:
            code = int(end.code or 0)
    assert code == 0, f"{shown.page}: {shown.text}: {said.getvalue()}"


def test_every_module_has_its_purpose_in_the_table() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    floors = re.split(r"\| \*\*(\w+)/\*\* \| \|", text)
    patterns = {
        floor: re.findall(r"`([\w*]+(?:\.py|/))`", table)
        for floor, table in zip(floors[1::2], floors[2::2], strict=True)
    }
    for floor in ("profiles", "controller", "tui"):
        for path in sorted((ROOT / floor).iterdir()):
            name = f"{path.name}/" if path.is_dir() else path.name
            if path.name.startswith("_") or not (path.is_dir() or path.suffix == ".py"):
                continue
            assert any(fnmatch(name, pattern) for pattern in patterns[floor]), f"{floor}/{name}"


def test_readme_opens_with_the_job_and_the_two_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    head, _, rest = text.partition("```")
    assert head.startswith("# Linewarden\n\n")
    assert "bus" in head
    assert rest.startswith("\nmake demo")
    assert "make test" in rest.split("```")[0]


def test_pictures_that_are_shown_are_there() -> None:
    for page in PAGES:
        for name in re.findall(r'(?:!\[[^\]]*\]\(|<img src=")([^)"]+)', page.read_text(encoding="utf-8")):
            assert (page.parent / name).exists(), f"{page.name}: {name}"


def test_links_between_pages_lead_somewhere() -> None:
    for page in PAGES:
        for name, place in re.findall(
            r"\]\((?!https?:)([^)#]*)#?([^)]*)\)", page.read_text(encoding="utf-8")
        ):
            target = page.parent / name if name else page
            assert target.exists(), f"{page.name}: {name}"
            if place:
                assert place in places(target), f"{page.name}: {name}#{place}"


def places(page: Path) -> set[str]:
    """What a page's headings are called in links: in lower case, hyphens for spaces, nothing but letters."""
    titles = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in titles}


def test_each_symptom_is_one_that_the_program_tells() -> None:
    source = "".join(
        # Texts that stand in several parts are joined, and what is filled in stands as an N.
        re.sub(r"\{[^}]*\}", "N", re.sub(r'"\s*f?"', "", path.read_text(encoding="utf-8")))
        for floor in ("controller", "tui")
        for path in (ROOT / floor).rglob("*.py")
    )
    page = (ROOT / "docs" / "troubleshooting.md").read_text(encoding="utf-8")
    symptoms = re.findall(r"^\| (.+?) \|", page, re.MULTILINE)
    assert len(symptoms) > 20
    for symptom in symptoms:
        for text in re.findall(r'"([^"]+)"', symptom):
            assert re.sub(r"\d+", "N", text) in source, text
        for word in re.findall(r"`([a-z-]+)`", symptom):
            assert word in {*Reason, *Known}, word


def test_every_target_of_make_that_is_named_is_there() -> None:
    targets = set(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))
    named = set()
    for page in PAGES:
        for line in re.findall(r"(?:`|^)make ([a-z ]+)", page.read_text(encoding="utf-8"), re.MULTILINE):
            named |= set(line.split())
    assert {"demo", "test"} <= named <= targets


def test_readme_leads_to_every_page_and_shows_every_screen() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for page in (ROOT / "docs").glob("*.md"):
        assert f"(docs/{page.name})" in text, page.name
    for picture in (ROOT / "docs" / "pictures").glob("*.svg"):
        if picture.stem not in ("group", "trigger"):
            assert f"docs/pictures/{picture.name}" in text, picture.name
