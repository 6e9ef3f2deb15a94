"""The state folder is its owner's only, and one controller's at a time."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from controller.state_folder import Claim, private_folder
from profiles.errors import ControllerError, ControllerRuns

posix = pytest.mark.skipif(os.name != "posix", reason="file modes mean nothing elsewhere")

HOLDER = """
import sys
from pathlib import Path
from controller.state_folder import Claim

claim = Claim(Path(sys.argv[1]))
print("held", flush=True)
sys.stdin.read()
"""


def mode(path: Path) -> int:
    return path.stat().st_mode & 0o777


@posix
def test_a_new_folder_and_the_claim_in_it_are_their_owners_only(tmp_path: Path) -> None:
    folder = tmp_path / "linewarden" / "larkfield-hall"
    with Claim(folder):
        assert mode(folder) == 0o700
        assert {mode(file) for file in folder.iterdir()} == {0o600}


@posix
def test_an_empty_folder_is_closed_to_others(tmp_path: Path) -> None:
    folder = tmp_path / "made by hand"
    folder.mkdir()
    folder.chmod(0o755)
    private_folder(folder)
    assert mode(folder) == 0o700


@posix
def test_a_state_folder_that_was_opened_to_others_is_closed_again(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    Claim(folder).release()
    folder.chmod(0o777)
    (folder / "controller.lock").chmod(0o666)
    with Claim(folder):
        assert (mode(folder), mode(folder / "controller.lock")) == (0o700, 0o600)


@posix
def test_a_folder_on_which_others_live_is_left_as_it_is(tmp_path: Path) -> None:
    folder = tmp_path / "everybody's"
    folder.mkdir()
    (folder / "letter.txt").write_text("dear all")
    folder.chmod(0o755)
    with pytest.raises(ControllerError, match="other people can enter") as caught:
        Claim(folder)
    assert "chmod 700" in caught.value.todo
    assert mode(folder) == 0o755
    assert [file.name for file in folder.iterdir()] == ["letter.txt"]


def test_a_file_in_its_place_is_told(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("a file")
    with pytest.raises(ControllerError, match="is no folder"):
        Claim(tmp_path / "state")
    with pytest.raises(ControllerError, match=r"can't be made|is no folder"):
        Claim(tmp_path / "state" / "deeper")


def test_a_second_claim_is_refused_with_the_number_of_the_first_ones_process(tmp_path: Path) -> None:
    with Claim(tmp_path / "state"):
        with pytest.raises(ControllerRuns, match=f"process {os.getpid()}") as caught:
            Claim(tmp_path / "state")
        assert caught.value.where == str(tmp_path / "state")
    with Claim(tmp_path / "state") as again:
        again.release()
        again.release()
        Claim(tmp_path / "state").release()


@posix
def test_the_claim_of_another_process_ends_when_it_is_killed(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    assert holder.stdout.readline() == b"held\n"
    with pytest.raises(ControllerRuns, match=f"process {holder.pid}"):
        Claim(folder)
    os.kill(holder.pid, signal.SIGKILL)
    holder.wait()
    holder.stdin.close()
    holder.stdout.close()
    Claim(folder).release()
    assert (folder / "controller.lock").read_text() == ""


@posix
def test_a_child_process_does_not_keep_the_claim(tmp_path: Path) -> None:
    claim = Claim(tmp_path / "state")
    child = subprocess.Popen(["cat"], stdin=subprocess.PIPE, close_fds=False)
    claim.release()
    Claim(tmp_path / "state").release()
    assert child.poll() is None
    child.communicate()
