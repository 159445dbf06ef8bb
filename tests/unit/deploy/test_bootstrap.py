"""Getting a fresh checkout going: what is done once, and what is said when it can't be done."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

SCRIPT = Path(__file__).parents[3] / "deploy" / "bootstrap.py"


@pytest.fixture
def bootstrap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The script as a module, working on a checkout in a temporary folder."""
    spec = importlib.util.spec_from_file_location("bootstrap", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    (tmp_path / ".venv" / "bin").mkdir(parents=True)
    for name, value in {
        "ROOT": tmp_path,
        "VENV": tmp_path / ".venv",
        "PYTHON": tmp_path / ".venv" / "bin" / "python",
        "STAMP": tmp_path / ".venv" / "installed-from",
    }.items():
        monkeypatch.setattr(module, name, value)
    return module


def test_it_needs_only_the_standard_library() -> None:
    """-S leaves out installed packages, -I the environment; the usage is still printed."""
    done = subprocess.run([sys.executable, "-I", "-S", str(SCRIPT)], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "usage: python3 deploy/bootstrap.py {demo,test,install}" in done.stderr


def test_the_project_is_installed_once_and_again_only_when_it_changed(
    bootstrap: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    commands: list[tuple[str, ...]] = []
    monkeypatch.setattr(bootstrap, "make_venv", lambda: None)
    monkeypatch.setattr(bootstrap, "run", lambda *c, **_: commands.append(tuple(map(str, c))) or 0)
    bootstrap.install()
    bootstrap.install()
    assert [c[-1] for c in commands] == [str(tmp_path)]
    bootstrap.install("test")
    bootstrap.install("test")
    bootstrap.install()
    assert [c[-1] for c in commands] == [str(tmp_path), f"{tmp_path}[test]"]
    (tmp_path / "pyproject.toml").write_text("[project]\nversion = '2'\n")
    bootstrap.install()
    assert len(commands) == 3


def test_a_failed_install_is_tried_again_the_next_time(bootstrap: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bootstrap, "make_venv", lambda: None)
    monkeypatch.setattr(bootstrap, "run", lambda *_: -9)
    with pytest.raises(bootstrap.BootstrapError, match=r"pip could not install the project \(code -9\)"):
        bootstrap.install()
    assert not bootstrap.STAMP.exists()


def test_missing_programs_are_named_where_they_can_not_be_installed(
    bootstrap: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bootstrap, "program", lambda names: None if "mosquitto" in names else "/usr/bin/x")
    monkeypatch.setattr(bootstrap, "as_root", lambda: None)
    with pytest.raises(bootstrap.BootstrapError, match=r"the tests need mosquitto.*apt-get install mosquitto"):
        bootstrap.need_test_programs()


def test_without_any_way_to_an_environment_it_says_what_to_install(
    bootstrap: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bootstrap, "succeeds", lambda *_: False)
    monkeypatch.setattr(bootstrap, "as_root", lambda: None)
    version = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
    with pytest.raises(bootstrap.BootstrapError, match=f"As root: apt-get install {version}"):
        bootstrap.make_venv()


def test_an_old_python_hands_over_to_a_newer_one_or_says_so(
    bootstrap: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    handed: list[str] = []
    monkeypatch.setattr(bootstrap, "MINIMUM", (3, 99))
    monkeypatch.setattr(bootstrap.os, "execv", lambda program, _words: handed.append(program))
    monkeypatch.setattr(bootstrap, "newer_python", lambda: "/usr/bin/python3.99")
    bootstrap.need_python()
    assert handed == ["/usr/bin/python3.99"]
    monkeypatch.setattr(bootstrap, "newer_python", lambda: None)
    with pytest.raises(bootstrap.BootstrapError, match=r"Python 3\.99 or newer is needed"):
        bootstrap.need_python()


def test_a_check_that_fails_is_named_at_the_end_and_keeps_no_other_from_running(
    bootstrap: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    names: list[str] = []

    def run(*command: object) -> int:
        names.append(Path(str(command[0])).name)
        return 0

    def captured(*command: object) -> tuple[int, str]:
        wrong = run(*command) or int("mypy" in str(command[0]))
        return wrong, "error: wrong type" if wrong else "all kept"

    monkeypatch.setattr(bootstrap, "install", lambda extra: None)
    monkeypatch.setattr(bootstrap, "need_test_programs", lambda: None)
    monkeypatch.setattr(bootstrap, "run", run)
    monkeypatch.setattr(bootstrap, "captured", captured)
    assert bootstrap.check_and_test([]) == 1
    assert sorted(names) == ["lint-imports", "mypy", "mypy", "python", "ruff", "ruff"]
    said = capsys.readouterr().err
    assert "types\nerror: wrong type\n" in said
    assert said.endswith("bootstrap: failed: types, types of this script\n")


def test_what_a_check_says_is_kept_with_its_code(bootstrap: ModuleType) -> None:
    script = "import sys; print('out'); print('err', file=sys.stderr); sys.exit(3)"
    code, said = bootstrap.captured(sys.executable, "-u", "-c", script)
    assert (code, said) == (3, "out\nerr")
