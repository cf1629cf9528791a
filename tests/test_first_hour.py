"""README's first hour, typed as it stands there: every command ends as it must and prints the lines README shows."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

from demonstration import ROOT

COMMAND = [sys.executable, "-c", "from harness.cli import main; main()"]
BY_HAND = (
    ("what this supply is, in one line", "48 W pier lamp supply"),
    ('output_power = "50"', 'output_power = "48"'),
)
LEAVES_OUT = {"report": ["--no-pdf"]}  # Chromium has tests of its own


def blocks(language: str) -> list[str]:
    """Fenced blocks of README's first hour in a language; empty for commands."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    section = text[text.index("## The first hour") : text.index("## What it prints")]
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
    return [text for named, text in fenced if named == language]


def commands() -> list[tuple[list[str], list[str]]]:
    """Each command with the lines README shows of what it prints."""
    found: list[tuple[list[str], list[str]]] = []
    for line in "".join(blocks("")).splitlines():
        if line.startswith("$ "):
            found.append((shlex.split(line[2:]), []))
        elif line.strip() not in ("...", ""):
            found[-1][1].append(line)
    return found


def test_the_first_hour_goes_as_readme_tells_it(tmp_path: Path) -> None:
    (tmp_path / "parts.csv").write_text(blocks("csv")[0], encoding="utf-8")
    record = tmp_path / "pier.toml"
    assert len(commands()) >= 9
    for (program, name, *arguments), shown in commands():
        assert program == "bulkrail"
        typed = [*COMMAND, name, *arguments, *LEAVES_OUT.get(name, [])]
        done = subprocess.run(typed, capture_output=True, text=True, cwd=tmp_path, timeout=200, check=False)
        said = " ".join(done.stdout.split())
        assert done.returncode in (0, 1), (name, done.stderr)
        for line in shown:
            if name == "report" and line.startswith("PDF"):
                continue
            assert " ".join(line.split()) in said, (name, line, done.stdout)
        if name == "new":  # what README says is filled in by hand
            text = record.read_text(encoding="utf-8")
            for old, new in BY_HAND:
                assert old in text
                text = text.replace(old, new)
            record.write_text(f"{text}\n{blocks('toml')[0]}", encoding="utf-8")
    page = (tmp_path / "reports" / "pier.html").read_text(encoding="utf-8")
    assert "48 W pier lamp supply" in page
    assert "a zero was under the glue" in page
    assert "LCR bridge, 120 Hz, four wires" in page
