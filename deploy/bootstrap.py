"""Gets a fresh checkout going with nothing but Python 3.11 or newer.

    python3 deploy/bootstrap.py demo      a simulated drying job on this machine, with its dashboard
    python3 deploy/bootstrap.py test      every check and test
    python3 deploy/bootstrap.py install   only make the environment; then .venv/bin/monitord is there

It makes the environment .venv in the checkout (or uses the one that is there) and installs the project into it;
the machine's own Python is left as it is. The tests also need servers such as mosquitto, and the browser chromium:
on Debian and its kin they are installed when missing, if that is allowed to us. Further words are passed on.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "installed-from"
MINIMUM = (3, 11)
TEST_PROGRAMS = {
    "mosquitto": ("mosquitto",),
    "chromium": ("chromium", "chromium-browser"),
    "openssl": ("openssl",),
    "nginx-light": ("nginx",),
    "influxdb": ("influxd",),
    "postgresql": ("postgres",),
    "systemd": ("systemd-analyze",),
}
"""Debian package, and the programs of which one must be there."""


class BootstrapError(Exception):
    """What could not be done, and what to do about it."""


def say(text: str) -> None:
    """One line of progress."""
    sys.stderr.write(f"bootstrap: {text}\n")
    sys.stderr.flush()


def run(*command: str | Path) -> int:
    """Run a command with its output shown; its exit code, or minus the signal that ended it."""
    return subprocess.run([str(part) for part in command], cwd=ROOT, check=False).returncode


def captured(*command: str | Path) -> tuple[int, str]:
    """Run a command; its exit code and what it said."""
    words, one = [str(part) for part in command], subprocess.STDOUT
    done = subprocess.run(words, cwd=ROOT, check=False, text=True, stdout=subprocess.PIPE, stderr=one)
    return done.returncode, done.stdout.rstrip()


def succeeds(*command: str | Path) -> bool:
    """Whether a command succeeds; its output is not shown."""
    try:
        return subprocess.run([str(part) for part in command], capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def newer_python() -> str | None:
    """Another Python on this machine that is new enough."""
    for minor in range(20, MINIMUM[1] - 1, -1):
        found = shutil.which(f"python3.{minor}")
        if found and succeeds(found, "-c", f"import sys; sys.exit(sys.version_info < {MINIMUM})"):
            return found
    return None


def need_python() -> None:
    """Go on with a Python that is new enough."""
    if sys.version_info[:2] >= MINIMUM:
        return
    other = newer_python()
    if other is None:
        raise BootstrapError(
            f"Python {MINIMUM[0]}.{MINIMUM[1]} or newer is needed, and this is {sys.version.split()[0]}. "
            "Install a newer Python, then run the same command with it."
        )
    os.execv(other, [other, *sys.argv])


def as_root() -> list[str] | None:
    """How to run a command as root: nothing before it, sudo, or not at all."""
    if os.geteuid() == 0:
        return []
    if shutil.which("sudo") is None:
        return None
    if succeeds("sudo", "-n", "true"):
        return ["sudo", "-n"]
    return ["sudo"] if sys.stdin.isatty() else None


def apt_install(*packages: str) -> bool:
    """Install Debian packages, where there is apt-get and we may use it."""
    prefix = as_root()
    if prefix is None or shutil.which("apt-get") is None:
        return False
    say(f"installing {', '.join(packages)} by apt-get")
    apt = [*prefix, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get"]
    run(*apt, "update", "-qq")
    return run(*apt, "install", "-y", "-qq", "--no-install-recommends", *packages) == 0


def venv_works() -> bool:
    """Whether .venv is there, with a Python that is new enough and with pip."""
    return succeeds(PYTHON, "-c", f"import pip, sys; sys.exit(sys.version_info < {MINIMUM})")


def make_venv() -> None:
    """Make .venv by the first of four ways that works on this machine; none changes the machine's own Python."""
    if venv_works():
        return
    say(f"making the environment {VENV}")
    for way in (venv_by_stdlib, venv_by_virtualenv, venv_by_borrowed_virtualenv, venv_after_apt):
        shutil.rmtree(VENV, ignore_errors=True)
        if way() and venv_works():
            return
    version = f"{sys.version_info[0]}.{sys.version_info[1]}"
    raise BootstrapError(
        "no virtual environment can be made, because this Python has neither ensurepip nor pip and we may not "
        f"install packages. As root: apt-get install python{version}-venv (or python3-venv). Then run this again."
    )


def venv_by_stdlib() -> bool:
    """The standard way; some distributions leave ensurepip out."""
    return succeeds(sys.executable, "-c", "import ensurepip") and succeeds(sys.executable, "-m", "venv", VENV)


def venv_by_virtualenv() -> bool:
    """An installed virtualenv brings its own pip."""
    return succeeds(sys.executable, "-m", "virtualenv", VENV)


def venv_by_borrowed_virtualenv() -> bool:
    """Pip without ensurepip: put virtualenv into a temporary folder, and use it from there."""
    with tempfile.TemporaryDirectory() as folder:
        if not succeeds(sys.executable, "-m", "pip", "install", "--quiet", "--target", folder, "virtualenv"):
            return False
        code = f"import sys; sys.path.insert(0, {folder!r}); from virtualenv import cli_run; cli_run([{str(VENV)!r}])"
        return succeeds(sys.executable, "-c", code)


def venv_after_apt() -> bool:
    """Debian keeps ensurepip in a package of its own."""
    version = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
    return (apt_install(version) or apt_install("python3-venv")) and venv_by_stdlib()


def install(extra: str = "") -> None:
    """Install the project into .venv, unless the same was done before."""
    make_venv()
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode()).hexdigest()
    have = STAMP.read_text(encoding="utf-8").split() if STAMP.exists() else []
    if have[:1] == [wanted] and (extra or "base") in have[1:]:
        return
    say(f"installing the project{f' with what its {extra}s need' if extra else ''}; the first time takes minutes")
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    pip = (PYTHON, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--use-pep517")
    code = run(*pip, "--editable", target)
    if code:
        raise BootstrapError(f"pip could not install the project (code {code}); if it said why, that stands above.")
    kept = set(have[1:]) if have[:1] == [wanted] else set()
    STAMP.write_text(" ".join([wanted, *sorted(kept | {"base", extra or "base"})]), encoding="utf-8")


def program(names: tuple[str, ...]) -> str | None:
    """Where one of these programs is; servers lie outside a user's usual path."""
    servers = [str(folder) for folder in Path("/usr/lib/postgresql").glob("*/bin")]
    path = os.pathsep.join((os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin", *servers))
    return next((found for name in names if (found := shutil.which(name, path=path))), None)


def need_test_programs() -> None:
    """Have the servers and the browser that the tests speak to."""
    missing = [package for package, names in TEST_PROGRAMS.items() if program(names) is None]
    if missing and not (apt_install(*missing) and all(program(TEST_PROGRAMS[package]) for package in missing)):
        raise BootstrapError(
            f"the tests need {' and '.join(missing)}, which could not be installed from here. "
            f"As root: apt-get install {' '.join(missing)}. Then run this again."
        )


def check_and_test(arguments: list[str]) -> int:
    """Every check and the tests; what failed is named again at the end."""
    install("test")
    need_test_programs()
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # or each of the tests' processes compiles the program once more
    tools = VENV / "bin"
    checks: list[tuple[str, list[str | Path]]] = [
        ("lint", [tools / "ruff", "check", "."]),
        ("format", [tools / "ruff", "format", "--check", "--quiet", "."]),
        ("types", [tools / "mypy"]),
        ("types of this script", [tools / "mypy", "deploy/bootstrap.py"]),
        ("import contracts", [tools / "lint-imports", "--no-logo"]),
    ]
    quick, beside = checks[:2], checks[2:]
    failed = []
    for name, command in quick:
        say(name)
        if run(*command):
            failed.append(name)
    with ThreadPoolExecutor(1) as one_core:  # types keep one core busy for most of a minute, the tests all cores
        waiting = [(name, one_core.submit(captured, *command)) for name, command in beside]
        say("tests, and beside them types and import contracts")
        if run(PYTHON, "-m", "pytest", "-n", "auto", "--dist", "loadfile", "--no-loadscope-reorder", *arguments):
            failed.append("tests")
        for name, check in waiting:
            code, said = check.result()
            say(f"{name}\n{said}")
            if code:
                failed.append(name)
    if failed:
        say(f"failed: {', '.join(failed)}")
    return 1 if failed else 0


def main(arguments: list[str]) -> int:
    """Carry out the command named by the arguments."""
    commands = ("demo", "test", "install")
    if not arguments or arguments[0] not in commands:
        sys.stderr.write(f"usage: python3 deploy/bootstrap.py {{{','.join(commands)}}} [words for the command]\n")
        return 2
    need_python()
    command, rest = arguments[0], arguments[1:]
    if command == "test":
        return check_and_test(rest)
    install()
    if command == "demo":
        os.execv(PYTHON, [str(PYTHON), "-m", "monitord", "demo", *rest])
    say(f"done; now there is {VENV / 'bin' / 'monitord'}")
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except BootstrapError as error:
        say(str(error))
        sys.exit(1)
    except KeyboardInterrupt:
        sys.exit(130)
