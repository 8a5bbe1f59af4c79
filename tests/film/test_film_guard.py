"""A job in a process of its own: its result, its end, its limits."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import cv2
import film_jobs
import numpy as np
import psutil
import pytest
from make_clips import steady, write_clip

from tracker.errors import CalibrationError, ClipError, ClipNotFound
from tracker.film.guard import Child, _ended, in_child

LIMITS = {"seconds": 20.0, "memory_bytes": 400_000_000}
ROOT = Path(__file__).parents[2]


def test_result_comes_back(tmp_path: Path) -> None:
    made = write_clip(tmp_path / "clip.mp4", steady(20))
    assert in_child(partial(film_jobs.count, path=made.path), **LIMITS) == 20
    np.testing.assert_array_equal(in_child(film_jobs.array, **LIMITS), np.arange(12.0).reshape(3, 4))


def test_it_is_another_process_with_its_own_main() -> None:
    pid, module, main, _ = in_child(film_jobs.where, **LIMITS)
    assert pid != os.getpid()
    assert (module, main) == ("film_jobs", "__main__")
    assert not psutil.pid_exists(pid)


def test_the_child_does_not_load_what_it_does_not_need() -> None:
    with Child(preload=()) as child:
        _, _, _, modules = child.run(film_jobs.where, **LIMITS)
    assert not {"scipy", "matplotlib", "typer", "rich", "filterpy", "pytest"} & set(modules)


def test_progress_is_passed_on_but_not_too_often() -> None:
    seen: list[tuple[int, int]] = []
    job = partial(film_jobs.report, total=400, pause_s=0.001)
    assert in_child(job, on_progress=lambda done, total: seen.append((done, total)), **LIMITS) == "done"
    assert seen[0] == (1, 400)
    assert seen[-1] == (400, 400)
    assert seen == sorted(seen)
    assert 3 <= len(seen) < 100


def test_a_long_job_may_go_on_while_it_reports() -> None:
    job = partial(film_jobs.report, total=20, pause_s=0.15)  # three seconds in all
    assert in_child(job, seconds=1.5, memory_bytes=LIMITS["memory_bytes"]) == "done"


@pytest.mark.parametrize("job", [film_jobs.hang, partial(film_jobs.report, total=2, pause_s=30)])
def test_a_job_that_hangs_is_stopped(job: partial) -> None:
    with Child() as child:
        began_s = time.monotonic()
        with pytest.raises(ClipError, match=r"^Reading the clip made no headway for 0\.5 seconds") as caught:
            child.run(job, seconds=0.5, memory_bytes=LIMITS["memory_bytes"])
    assert caught.value.code == "clip_hung"
    assert caught.value.advice.startswith("Copy the clip from the phone again")
    assert time.monotonic() - began_s < 10


@pytest.mark.parametrize(
    "job",
    [
        film_jobs.abort,
        film_jobs.bad_address,
        film_jobs.leave,
        film_jobs.leave_politely,
        film_jobs.unknown,
        film_jobs.unpicklable,
    ],
)
def test_a_job_that_breaks_down_is_told_plainly(job: partial) -> None:
    began_s = time.monotonic()
    with pytest.raises(ClipError, match=r"^The clip could not be read: its decoder broke down\.") as caught:
        in_child(job, **LIMITS)
    assert str(caught.value) == "The clip could not be read: its decoder broke down."
    assert caught.value.code == "clip_crashed"
    assert caught.value.advice.startswith("Copy the clip from the phone again")
    assert time.monotonic() - began_s < 10


def test_the_trace_is_kept_for_developers() -> None:
    with pytest.raises(ClipError, match="broke down") as caught:
        in_child(film_jobs.unknown, **LIMITS)
    assert "KeyError: 'surprise'" in caught.value.__notes__[0]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="address space is limited on Linux only")
@pytest.mark.parametrize("job", [film_jobs.eat, film_jobs.eat_in_library])
def test_a_job_that_eats_memory_is_stopped(job: partial) -> None:
    with pytest.raises(ClipError, match=r"^Reading the clip took more memory than it may have\.$") as caught:
        in_child(job, **LIMITS)
    assert caught.value.code == "clip_memory"


def test_the_limit_leaves_what_was_asked_for() -> None:
    assert in_child(film_jobs.modest, seconds=20, memory_bytes=60_000_000) == 20_000_000


@pytest.mark.skipif(sys.platform == "win32", reason="processor time is limited on POSIX only")
def test_processor_time_is_limited_too() -> None:
    # The kernel ends what the parent's clock cannot, for instance while the parent is stopped.
    code = "from tracker.film.child import limit_processor_time as limit; limit(0.01)\nwhile True: pass"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False, timeout=60)
    assert done.returncode == -signal.SIGXCPU
    error = _ended(done.returncode)
    assert error.code == "clip_hung"
    assert error.message.startswith("Reading the clip used its processor time up")


def test_plain_errors_cross_unchanged() -> None:
    with pytest.raises(CalibrationError, match=r"^Something is wrong\.$") as caught:
        in_child(film_jobs.plain, **LIMITS)
    assert (caught.value.code, caught.value.advice) == ("some_code", "Do this.")
    assert type(caught.value) is CalibrationError
    with pytest.raises(ClipNotFound, match=r"^It is not there\.$"):
        in_child(film_jobs.plain_missing, **LIMITS)


def test_noise_goes_nowhere_and_standard_input_is_not_shared(capfd: pytest.CaptureFixture[str]) -> None:
    assert in_child(film_jobs.noise, **LIMITS) == ""
    assert capfd.readouterr() == ("", "")


def test_a_child_not_needed_goes_away() -> None:
    with Child() as child:
        pid = child._process.pid
        assert psutil.pid_exists(pid)
    assert not psutil.pid_exists(pid)


def test_a_child_that_cannot_start_is_told_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", str(Path(__file__).with_name("no such interpreter")))
    with pytest.raises(
        ClipError, match=r"^The process that reads the clip could not be started\.$"
    ) as caught:
        in_child(film_jobs.modest, **LIMITS)
    assert caught.value.code == "clip_no_process"


def test_a_library_that_the_child_cannot_load_is_told_plainly() -> None:
    with Child(preload=("no_such_library",)) as child, pytest.raises(ClipError, match="broke down"):
        child.run(film_jobs.modest, **LIMITS)


def test_importing_the_guard_loads_no_decoder() -> None:
    code = "import sys, tracker.film.guard, tracker.film.digest as _; "
    code += "print({'av', 'cv2', 'numpy', 'scipy'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


SCRIPT = """
    import sys
    from functools import partial
    from pathlib import Path
    sys.path[:0] = [{tests!r}, {root!r}]
    with open({note!r}, "a", encoding="utf-8") as file:
        file.write("run\\n")
    import film_jobs
    from tracker.film import in_child
    print(in_child({job}, seconds=60, memory_bytes=400_000_000))
"""


def script(tmp_path: Path, job: str) -> tuple[Path, Path]:
    note, path = tmp_path / "note.txt", tmp_path / "script.py"
    text = SCRIPT.format(tests=str(Path(__file__).parent), root=str(ROOT), note=str(note), job=job)
    path.write_text(textwrap.dedent(text), encoding="utf-8")
    return path, note


def test_main_is_not_run_again(tmp_path: Path) -> None:
    # No "if __name__ == '__main__'": a child that imported the script would start children for ever.
    path, note = script(tmp_path, "film_jobs.modest")
    done = subprocess.run(
        [sys.executable, str(path)], capture_output=True, text=True, check=True, timeout=60, cwd=tmp_path
    )
    assert done.stdout == "20000000\n"
    assert done.stderr == ""
    assert note.read_text(encoding="utf-8") == "run\n"


def test_a_file_in_the_working_folder_is_not_imported(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    path, _ = script(tmp_path / "elsewhere", "film_jobs.modest")
    (tmp_path / "pickle.py").write_text("raise SystemExit('wrong file')", encoding="utf-8")
    (tmp_path / "av.py").write_text("raise SystemExit('wrong file')", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(path)], capture_output=True, text=True, check=True, timeout=60, cwd=tmp_path
    )
    assert done.stdout == "20000000\n"


def wait_for(path: Path) -> int:
    for _ in range(300):
        if path.exists() and path.read_text(encoding="utf-8"):
            return int(path.read_text(encoding="utf-8"))
        time.sleep(0.1)
    pytest.fail("the child did not begin")


def gone(pid: int) -> bool:
    for _ in range(50):
        if not psutil.pid_exists(pid):
            return True
        time.sleep(0.1)
    return False


@pytest.mark.skipif(sys.platform == "win32", reason="an interrupt cannot be sent to one process there")
@pytest.mark.parametrize(("number", "status"), [("SIGINT", -2), ("SIGKILL", -9)])
def test_the_child_ends_with_its_parent(tmp_path: Path, number: str, status: int) -> None:
    pid_note = tmp_path / "pid.txt"
    path, _ = script(tmp_path, f"partial(film_jobs.sleep, note=Path({str(pid_note)!r}))")
    parent = subprocess.Popen([sys.executable, str(path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    child = wait_for(pid_note)
    parent.send_signal(getattr(signal, number))
    _, errors = parent.communicate(timeout=20)
    assert parent.returncode == status
    assert (b"KeyboardInterrupt" in errors) == (number == "SIGINT")
    assert gone(child)


def test_a_library_that_is_being_imported_does_not_mislead_the_child(monkeypatch):
    # What OpenCV does to the search path while another thread imports it: its folder holds a "typing".
    monkeypatch.setattr(sys, "path", [str(Path(cv2.__file__).parent), *sys.path])
    _, module, _, _ = in_child(film_jobs.where, **LIMITS)
    assert module == "film_jobs"


@pytest.mark.skipif(sys.platform == "win32", reason="nothing there can be made to rest")
def test_a_child_rests_and_goes_on() -> None:
    heard: list[float] = []
    child = Child()
    job = partial(film_jobs.report, total=40, pause_s=0.05)
    with ThreadPoolExecutor(1) as pool:
        told = pool.submit(child.run, job, on_progress=lambda *_: heard.append(time.monotonic()), **LIMITS)
        while len(heard) < 3:
            time.sleep(0.01)
        child.rest()
        time.sleep(0.3)  # what was under way has arrived
        before = len(heard)
        time.sleep(0.5)
        assert len(heard) == before
        child.go_on()
        assert told.result(timeout=20)
    assert len(heard) > before
    child.rest()  # a child that has ended has nothing to rest from
    child.go_on()
