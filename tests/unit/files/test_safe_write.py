"""Output never goes over anything unasked, and gets there whole."""

from __future__ import annotations

import os
import socket
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from voicer.errors import FileError
from voicer.files import recording, safe_write
from voicer.files.file_lock import locked
from voicer.files.safe_write import checked_target, remove_leftovers, write_bytes
from voicer.files.whole_folder import write_whole

if TYPE_CHECKING:
    from collections.abc import Callable

GONE = 4_194_305
"""No process has this number: Linux ends at 4194304."""


def contents(folder: Path) -> dict[str, str]:
    return {path.name: path.read_text() for path in sorted(folder.iterdir())}


def test_an_existing_file_is_replaced_only_on_request(tmp_path: Path) -> None:
    """The refusal names --overwrite; with it the file is replaced and keeps its permissions."""
    file = tmp_path / "a.txt"
    file.write_text("old")
    file.chmod(0o640)
    with pytest.raises(FileError) as caught:
        write_bytes(file, b"new")
    assert str(caught.value) == f"{file}: the file already exists; add --overwrite to replace it, or choose another name"
    assert contents(tmp_path) == {"a.txt": "old"}
    write_bytes(file, b"new", overwrite=True)
    assert (contents(tmp_path), file.stat().st_mode & 0o777) == ({"a.txt": "new"}, 0o640)


@pytest.mark.parametrize("name", ["in.wav", "link.wav", "hard.wav", "sub/../in.wav"])
def test_no_output_is_its_own_input(tmp_path: Path, name: str) -> None:
    """By no name, symbolic link or hard link, not even with --overwrite."""
    source = tmp_path / "in.wav"
    source.write_text("the recording")
    (tmp_path / "sub").mkdir()
    (tmp_path / "link.wav").symlink_to(source)
    os.link(source, tmp_path / "hard.wav")
    with pytest.raises(FileError, match="the output must not be the input"):
        checked_target(tmp_path / name, overwrite=True, inputs=[source])


def _pipe(path: Path) -> None:
    os.mkfifo(path)


def _socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(os.fspath(path))


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (_pipe, "a pipe"),
        (_socket, "a socket"),
        (Path.mkdir, "a folder"),
        (lambda path: path.symlink_to("/dev/full"), "a device"),
        (lambda path: path.symlink_to("/dev/zero"), "a device"),
    ],
)
def test_what_is_no_file_is_never_replaced(tmp_path: Path, make: Callable[[Path], None], kind: str) -> None:
    """Neither a pipe, a device, a socket nor a folder, nor what a link leads to."""
    path = tmp_path / "out.wav"
    make(path)
    before = path.lstat()
    with pytest.raises(FileError, match=rf"must be a regular file \(got {kind}\)"):
        write_bytes(path, b"new", overwrite=True)
    assert (path.lstat().st_ino, path.lstat().st_mode) == (before.st_ino, before.st_mode)
    assert [one.name for one in tmp_path.iterdir()] == ["out.wav"]


def test_a_read_only_file_is_not_replaced(tmp_path: Path) -> None:
    """Its permissions are a wish, whatever the folder's or the user's would allow."""
    file = tmp_path / "a.txt"
    file.write_text("old")
    file.chmod(0o444)
    with pytest.raises(FileError, match="it is read-only"):
        write_bytes(file, b"new", overwrite=True)
    assert contents(tmp_path) == {"a.txt": "old"}


def test_a_link_to_a_file_is_followed_and_kept(tmp_path: Path) -> None:
    """Also one that leads nowhere yet; a loop of links is refused."""
    real, link, loop = tmp_path / "real.txt", tmp_path / "link.txt", tmp_path / "loop.txt"
    link.symlink_to(real)
    loop.symlink_to(loop)
    write_bytes(link, b"first")
    write_bytes(link, b"second", overwrite=True)
    assert link.is_symlink()
    assert real.read_text() == "second"
    with pytest.raises(FileError, match="cannot be written"):
        write_bytes(loop, b"x", overwrite=True)


@pytest.mark.parametrize("length", [230, 251])
def test_long_names_are_written_or_refused_in_one_line(tmp_path: Path, length: int) -> None:
    """The temporary's name is short, so a name that the system takes can be written."""
    write_bytes(tmp_path / ("a" * length + ".wav"), b"x")
    with pytest.raises(FileError, match="File name too long"):
        write_bytes(tmp_path / ("a" * 252 + ".wav"), b"x")


def test_a_file_that_came_meanwhile_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between the look and the last step another may write the same name; theirs stays."""
    put = safe_write.put_in_place

    def late(staged: Path, target: Path, *, overwrite: bool) -> None:
        target.write_text("theirs")
        put(staged, target, overwrite=overwrite)

    monkeypatch.setattr(safe_write, "put_in_place", late)
    with pytest.raises(FileError, match="already exists"):
        write_bytes(tmp_path / "a.txt", b"ours")
    assert contents(tmp_path) == {"a.txt": "theirs"}


def test_a_disk_without_hard_links_is_written_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """There a new file is moved, and an old one still refused."""
    monkeypatch.delattr(os, "link")
    write_bytes(tmp_path / "a.txt", b"new")
    with pytest.raises(FileError, match="already exists"):
        write_bytes(tmp_path / "a.txt", b"newer")
    write_whole(tmp_path, lambda inside: _two(inside, "b"), overwrite=True)
    assert contents(tmp_path) == {"a.txt": "b", "b.txt": "b"}


# --- folders ------------------------------------------------------------------------------------------


def _two(inside: Path, text: str) -> list[str]:
    for name in ("a.txt", "b.txt"):
        (inside / name).write_text(text)
    return ["a.txt", "b.txt"]


def test_a_folder_of_files_is_refused_as_a_whole(tmp_path: Path) -> None:
    """One file in the way and none is written; those that hold the same already are not in the way."""
    (tmp_path / "b.txt").write_text("theirs")
    with pytest.raises(FileError, match=r"b\.txt: the file already exists; add --overwrite"):
        write_whole(tmp_path, lambda inside: _two(inside, "ours"))
    assert contents(tmp_path) == {"b.txt": "theirs"}
    (tmp_path / "b.txt").write_text("ours")
    assert write_whole(tmp_path, lambda inside: _two(inside, "ours")) == [tmp_path / "a.txt", tmp_path / "b.txt"]
    write_whole(tmp_path, lambda inside: _two(inside, "new"), overwrite=True)
    assert contents(tmp_path) == {"a.txt": "new", "b.txt": "new"}


def test_known_names_are_refused_before_the_work(tmp_path: Path) -> None:
    """Nobody waits half a minute for a refusal."""
    (tmp_path / "a.txt").write_text("theirs")
    with pytest.raises(FileError, match="already exists"):
        write_whole(tmp_path, lambda _inside: pytest.fail("worked"), expected=["a.txt"])


def test_an_input_in_the_folder_survives_overwriting(tmp_path: Path) -> None:
    """As when measured values are read from the sheet's own parts list."""
    (tmp_path / "b.txt").write_text("measured")
    with pytest.raises(FileError, match="must not be the input"):
        write_whole(tmp_path, lambda inside: _two(inside, "new"), overwrite=True, inputs=[tmp_path / "b.txt"])
    assert contents(tmp_path) == {"b.txt": "measured"}


@pytest.mark.parametrize("old", [True, False])
def test_a_second_move_that_fails_takes_back_the_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, old: bool
) -> None:
    """Old files are the old ones again, new ones are gone."""
    if old:
        _two(tmp_path, "old")
    replace, link = os.replace, os.link
    failed: list[bool] = []

    def failing(call: Callable[..., None]) -> Callable[..., None]:
        def one(source: Path, target: Path) -> None:
            if Path(target) == tmp_path / "b.txt" and not failed:
                failed.append(True)
                raise OSError(5, "Input/output error")
            call(source, target)

        return one

    monkeypatch.setattr(os, "replace", failing(replace))
    if not old:
        monkeypatch.setattr(os, "link", failing(link))
        monkeypatch.setattr(safe_write.os.path, "lexists", lambda _path: True)  # no second way for a new file
    with pytest.raises(FileError):
        write_whole(tmp_path, lambda inside: _two(inside, "new"), overwrite=old)
    assert failed
    assert contents(tmp_path) == ({"a.txt": "old", "b.txt": "old"} if old else {})


def test_what_others_wrote_meanwhile_stays_when_a_write_fails(tmp_path: Path) -> None:
    """Only the own staging folder goes, and folders that were created for it and are empty."""
    folder = tmp_path / "new" / "newer"

    def write(inside: Path) -> list[str]:
        (folder.parent / "theirs.txt").write_text("theirs")
        raise OSError(28, "No space left on device")

    with pytest.raises(FileError, match=r"cannot be written \(No space left on device\)"):
        write_whole(folder, write)
    assert contents(folder.parent) == {"theirs.txt": "theirs"}


def test_folders_inside_the_folder_are_created(tmp_path: Path) -> None:
    """Names may have a folder before them."""

    def write(inside: Path) -> list[str]:
        (inside / "sheet").mkdir()
        (inside / "sheet" / "bom.csv").write_text("bom")
        return ["sheet/bom.csv"]

    write_whole(tmp_path / "out", write)
    assert contents(tmp_path / "out" / "sheet") == {"bom.csv": "bom"}
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["sheet"]


def test_leftovers_of_killed_runs_go_and_those_of_running_ones_stay(tmp_path: Path) -> None:
    """By the number of the process that left them, or by age."""
    ours = os.getpid()
    for name in (f".writing-{GONE}-0a", f".writing-{ours}-0b", f".writing-{ours}-0c", ".writing-01234567", ".writing-x"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "half.wav").write_text("half")
    for name in (f".saving-{GONE}-0a.tmp", f".saving-{ours}-0b.tmp", ".saving-notes.tmp"):
        (tmp_path / name).write_text("half")
    for name in (f".writing-{ours}-0b", ".writing-01234567"):
        os.utime(tmp_path / name, (time.time() - 100_000,) * 2)
    remove_leftovers(tmp_path)
    left = sorted(path.name for path in tmp_path.iterdir())
    assert left == sorted([f".writing-{ours}-0c", ".writing-x", f".saving-{ours}-0b.tmp", ".saving-notes.tmp"])


# --- two at once --------------------------------------------------------------------------------------


def test_a_lock_makes_changes_queue_up(tmp_path: Path) -> None:
    """Of 4 x 25 additions none is lost, and no lock file is left."""
    file = tmp_path / "count.txt"
    file.write_text("0")

    def add() -> None:
        for _ in range(25):
            with locked(file):
                count = int(file.read_text())
                time.sleep(0.0005)
                file.write_text(str(count + 1))

    threads = [threading.Thread(target=add) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert contents(tmp_path) == {"count.txt": "100"}


def test_a_lock_held_for_ever_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In one line, after a while."""
    monkeypatch.setattr("voicer.files.file_lock.PATIENCE_S", 0.05)
    with locked(tmp_path / "a"), pytest.raises(FileError, match="in use by another voicer"), locked(tmp_path / "a"):
        pytest.fail("entered twice")


def test_without_locks_the_work_is_done_unlocked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a system or a disk that has none."""
    monkeypatch.setattr("voicer.files.file_lock._system_lock", lambda: None)
    with locked(tmp_path / "a"), locked(tmp_path / "a"):
        pass
    with locked(tmp_path / "absent" / "a"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_a_recording_keeps_the_same_rule(tmp_path: Path) -> None:
    """Refused before work and at the write."""
    recording.write(tmp_path / "a.wav", [0.0, 0.5], 48_000)
    for call in (recording.check_writable, lambda path: recording.write(path, [0.0], 48_000)):
        with pytest.raises(FileError, match="add --overwrite"):
            call(tmp_path / "a.wav")
    recording.write(tmp_path / "a.wav", [0.25], 48_000, overwrite=True)
    assert recording.read(tmp_path / "a.wav")[0].tolist() == [0.25]
