"""What a shell shows before a command runs: the help in groups, and completion of what is typed."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pexpect
import pytest
from click.testing import CliRunner

from tether.archive.archive import Archive
from tether.archive.records import NewRoll
from tether.cli.main import app
from tether.cli.options import GROUPS
from tether.film import FilmProcess

ROOT = Path(__file__).parents[2]
NAMES = ("Harbour 1987", "Harbour, winter", "Quay's end", "Quay_3")


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("completed") / "archive"
    with closing(Archive(root)) as made:
        for name in NAMES:
            made.store.rolls.add(NewRoll(name, FilmProcess.BW_NEGATIVE))
    return root


def test_each_command_is_in_one_group_and_no_line_is_cut() -> None:
    assert sorted(name for names in GROUPS.values() for name in names) == sorted(app.commands)
    text = CliRunner().invoke(app, ["--help"], terminal_width=80).output
    assert "..." not in text.replace("[ARGS]...", "")
    assert max(map(len, text.splitlines())) <= 80
    for heading, names in GROUPS.items():
        listed = text.split(f"\n{heading}:\n", 1)[1].split("\n\n", 1)[0]
        assert [line.split()[0] for line in listed.splitlines()] == list(names)


@pytest.mark.parametrize("name", app.commands)
def test_the_help_of_a_command_fits_a_terminal(name: str) -> None:
    text = CliRunner().invoke(app, [name, "--help"], terminal_width=80).output
    assert max(map(len, text.splitlines())) <= 80
    assert len(app.commands[name].get_short_help_str(500)) <= 60, "one line in the list"


def completed(shell: str, archive: Path, *typed: str) -> list[str]:
    """Ask as the shell's own script does (click, Shell Completion)."""
    words = " ".join(("tether", *typed))
    asked = {"COMP_WORDS": words, "COMP_CWORD": str(len(typed))}
    if shell == "fish":
        asked = {"COMP_WORDS": words, "COMP_CWORD": typed[-1]}
    done = subprocess.run(
        [sys.executable, "-m", "tether"], capture_output=True, text=True, check=True, cwd=ROOT,
        env=os.environ
        | {"_TETHER_COMPLETE": f"{shell}_complete", "TETHER_ARCHIVE": str(archive)}
        | asked,
    )  # fmt: skip
    return done.stdout.splitlines()


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_commands_options_and_rolls_are_completed(shell: str, archive: Path) -> None:
    assert any("verify" in line for line in completed(shell, archive, "ver"))
    assert any("--brighter" in line for line in completed(shell, archive, "deliver", "--br"))
    found = "\n".join(completed(shell, archive, "verify", "Har"))
    for name in NAMES[:2]:
        # bash inserts what it is given; the other two quote what needs it.
        shown = f"'{name}'" if shell == "bash" else name
        assert shown in found
    assert "Quay" not in found
    assert completed(shell, archive / "nowhere", "verify", "Har") in ([], [""])


@pytest.fixture
def environment(archive: Path, tmp_path: Path) -> dict[str, str]:
    """What a shell has that finds ``tether`` and the archive, and nothing of the person's own."""
    (tmp_path / "tether").write_text(f'#!/bin/sh\nexec {sys.executable} -m tether "$@"\n')
    (tmp_path / "tether").chmod(0o755)
    return os.environ | {
        "PATH": f"{tmp_path}:{os.environ['PATH']}",
        "PYTHONPATH": f"{ROOT}:{ROOT / 'mocks'}",
        "TETHER_ARCHIVE": str(archive),
        "HOME": str(tmp_path),
        "TERM": "dumb",
        "LC_ALL": "C.UTF-8",
    }


def documented(line: str) -> str:
    """Return a line that a person copies from the page into a shell's own file."""
    assert f"`{line}`" in (ROOT / "docs" / "how-to-completion.md").read_text(encoding="utf-8")
    return line.replace("\\|", "|")


def needs(shell: str) -> pytest.MarkDecorator:
    """Skip a test where its shell is not installed."""
    return pytest.mark.skipif(shutil.which(shell) is None, reason=f"there is no {shell} here")


def test_bash_completes_with_the_documented_line(environment: dict[str, str]) -> None:
    line = documented('eval "$(_TETHER_COMPLETE=bash_source tether)"')
    ask = "COMP_WORDS=(tether verify Quay); COMP_CWORD=2; _tether_completion tether"
    done = subprocess.run(
        ["bash", "-c", f'{line}; {ask}; printf "%s\n" "${{COMPREPLY[@]}}"'],
        capture_output=True, text=True, check=True, env=environment,
    )  # fmt: skip
    assert [shlex.split(line) for line in done.stdout.splitlines()] == [["Quay's end"], ["Quay_3"]]


@needs("fish")
def test_fish_completes_with_the_documented_line(environment: dict[str, str]) -> None:
    line = documented("_TETHER_COMPLETE=fish_source tether \\| source")
    asked = "complete -C 'tether verify Quay'; complete -C 'tether shoot --film tr'"
    done = subprocess.run(
        ["fish", "--no-config", "-c", f"{line}; {asked}"],
        capture_output=True, text=True, check=True, env=environment,
    )  # fmt: skip
    assert done.stdout.splitlines() == ["Quay's end", "Quay_3", "transparency"]


@needs("zsh")
def test_zsh_completes_with_the_documented_lines(environment: dict[str, str]) -> None:
    """At its prompt, with the Tab key: what it inserts is quoted by zsh itself."""
    own = documented("autoload -Uz compinit && compinit")
    line = documented('eval "$(_TETHER_COMPLETE=zsh_source tether)"')
    shell = pexpect.spawn(
        "zsh", ["-f", "-i"], env=environment, encoding="utf-8", timeout=60, dimensions=(24, 200)
    )
    shell.delaybeforesend = None
    # Folders of a test may be anybody's, which compinit would ask about.
    shell.sendline(f"{own} -u -D; {line}; print rea''dy")
    shell.expect("ready\r\n")
    shell.send("tether verify Harbour\\ 1\t")
    shell.expect_exact("Harbour\\ 1987")
    shell.send("\x15tether verify Quay\\'\t")
    shell.expect_exact("Quay\\'s\\ end")
    shell.close(force=True)
