"""What is done with a burst on the bench's screen: drafted, sent, drawn."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path
from typing import Any

import pytest
from textual.widgets import Input, OptionList

from controller.site import load_site
from profiles.checking import load_profile
from profiles.library import own_folder
from tests.tui.at_bench.bench_walk import EXAMPLES, at_the_bench, rest, text
from tests.tui.bench_lines import POWER_ON, damaged, write_logic
from tui.bench_desk import read_and_decode
from tui.screens import bench_sight
from tui.screens.bench import BenchScreen
from tui.screens.profile_adding import ProfileForm
from tui.screens.profile_editor import ProfileEditorScreen
from tui.screens.sheets import AskSheet, ChoiceSheet


@pytest.mark.slow
async def test_the_picture_of_both_lines_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    original = write_logic(tmp_path / "original.csv", [POWER_ON] * 3)
    replay = write_logic(tmp_path / "replay.csv", [POWER_ON] * 3, inside=3.0)
    async with at_the_bench(tmp_path, original, replay) as b:
        await b.press("p")
        assert "lay another line over this one first" in text(b, "bench-measure")
        await b.press("v")
        await rest(b)
        await b.press("p", "enter")
        await rest(b)
        assert "both lines are drawn in original.svg" in text(b, "bench-measure")
        drawn = (tmp_path / "original.svg").read_text(encoding="utf-8")
        assert drawn.count("A5") == 3
        await b.press("p", "enter")
        assert "is there already" in b.text("#wrong")


async def test_nothing_is_done_with_what_is_just_read_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = threading.Event()
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [POWER_ON] * 2, between=30.0)) as b:

        def held(*arguments: Any) -> Any:
            go_on.wait(20)
            return read_and_decode(*arguments)

        monkeypatch.setattr(bench_sight, "read_and_decode", held)
        await b.press("j")
        for key in ("s", "a"):
            await b.press(key)
            assert "it is just being read anew" in text(b, "bench-measure")
        go_on.set()
        await rest(b)
        await b.press("a")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))


@pytest.mark.slow
async def test_a_burst_becomes_a_new_profile_that_proves_itself(tmp_path: Path) -> None:
    path = tmp_path / "power-on_1.csv"
    shutil.copy(EXAMPLES / "power-on_1.csv", path)
    async with at_the_bench(tmp_path, path) as b:
        await b.press("j")
        await rest(b)
        await b.press("a")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        await b.press("enter")
        await b.until(lambda: isinstance(b.app.screen, ProfileForm))
        await b.press(*["backspace"] * 12, *"hall", "enter", "enter", "enter")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
    target = own_folder() / "hall.toml"
    compiled = load_profile(target.read_text(encoding="utf-8"), str(target))
    assert compiled.actions["power-on"].send.build({}).data == POWER_ON
    (evidence,) = compiled.profile.evidence
    assert (own_folder() / evidence.capture).read_bytes() == path.read_bytes()
    from profiles.bench.evidence import evidence_problem

    assert evidence_problem(evidence, compiled.profile.line, own_folder()) is None


@pytest.mark.slow
async def test_a_burst_becomes_an_action_of_a_buss_profile_with_its_evidence(tmp_path: Path) -> None:
    path = write_logic(tmp_path / "mute.csv", [bytes.fromhex("A5 03 07 0A")] * 2)
    async with at_the_bench(tmp_path, path, loaded=None) as b:
        await b.press("a")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        listed = b.app.screen.query_one(OptionList)
        words = [str(listed.get_option_at_index(n).prompt) for n in range(listed.option_count)]
        await b.press(
            *["down"] * next(n for n, w in enumerate(words) if w.startswith("pellgate-chain")), "enter"
        )
        await b.until(lambda: isinstance(b.app.screen, ProfileForm))
        assert b.app.screen.query_one("#field-name", Input).value == "mute"
        await b.press("enter", "enter")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
        assert b.app.draft is not None
        drafted = b.app.draft.text
    assert "[actions.mute]" in drafted
    assert 'bytes = "A5 03 07 0A"' in drafted
    assert 'capture = "captures/mute_1.csv"' in drafted
    assert (own_folder() / "captures" / "mute_1.csv").read_bytes() == path.read_bytes()


@pytest.mark.slow
async def test_a_burst_that_did_not_come_whole_is_neither_sent_nor_drafted(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, damaged(tmp_path / "bad.csv", POWER_ON * 4, 2)) as b:
        for key in ("a", "s"):
            await b.press(key)
            assert "did not come whole" in text(b, "bench-measure")
            assert isinstance(b.app.screen, BenchScreen)


SITE = """
[site]
id = "larkfield-hall"

[buses.sound]
port = "sim://pellgate-chain?units=2"
profile = "pellgate-chain"
topology = "ring"
units_expected = 2
allow_raw = {allowed}

[units.foyer-amp]
bus = "sound"
address = 1
"""


@pytest.mark.parametrize(
    ("allowed", "words"), [("true", "sound: bytes A5 01 01 02: confirmed"), ("false", "takes no raw bytes")]
)
async def test_a_burst_is_sent_through_the_gate(tmp_path: Path, allowed: str, words: str) -> None:
    (tmp_path / "site.toml").write_text(SITE.format(allowed=allowed))
    path = write_logic(tmp_path / "one.csv", [POWER_ON] * 2)
    async with at_the_bench(tmp_path, path, loaded=load_site(tmp_path / "site.toml"), size=(160, 24)) as b:
        await b.press("s")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("n")
        await b.pilot.pause()
        assert len(b.app.traffic) == 0, "no is no"
        await b.press("s")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("y")
        await b.until(lambda: words in text(b, "bench-measure"))
        sent = [b.app.traffic[row].data for row in range(len(b.app.traffic))]
        assert any(bytes(data) == POWER_ON for data in sent) == (allowed == "true")


@pytest.mark.slow
async def test_without_a_site_there_is_nothing_to_send_on(tmp_path: Path) -> None:
    async with at_the_bench(tmp_path, write_logic(tmp_path / "one.csv", [POWER_ON])) as b:
        await b.press("s")
        assert "there is no bus to send on" in text(b, "bench-measure")
        await b.press("f2")
        assert "no bus here; F7 has the bench" in b.words
