"""What leaves for the terminal: one way out, and nothing on it that a terminal would obey."""

import ast
import io
import json
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from duskgate import cli
from duskgate.cli import main, say, terminal
from hypothesis import given, settings

from tests.hostile_text import HTML, TERMINAL, TEXTS, UNSEEN, obeyed

FOLDER = Path(cli.__file__).parent
ATTACK = "x\x1b]52;c;AA==\x07\x9b2J\u202e\nduskgate: forged"


def heard(text: str) -> list[str]:
    """The lines of an output, each without signs that are obeyed."""
    lines = text.split("\n")
    assert not any(obeyed(line) for line in lines), text.encode("unicode_escape")
    return lines


def test_no_command_prints_past_the_one_way_out():
    past = []
    for path in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                if called in {"print", "input", "click.echo", "click.secho", "click.prompt", "click.confirm"} | {
                    f"sys.{stream}.write" for stream in ("stdout", "stderr")
                } | {"traceback.print_exception", "traceback.print_exc"}:
                    past.append(f"{path.name}:{node.lineno} {called}")
    assert [p for p in past if not p.startswith("say.py")] == []


@settings(max_examples=100, deadline=None)
@given(TEXTS)
def test_a_line_stays_one_line(text):
    out = io.StringIO()
    kept, sys.stdout = sys.stdout, out
    try:
        say.say("Note", text)
    finally:
        sys.stdout = kept
    assert len(heard(out.getvalue())) == 3


def test_a_terminal_with_few_signs_gets_escapes(monkeypatch):
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="cp1252", newline="\n"))
    say.say("été 花")
    sys.stdout.flush()
    assert raw.getvalue().decode("cp1252") == "été \\u82b1\n"


def test_json_is_ascii_and_reads_back(capsys):
    say.say_json({"a": [*TERMINAL, *UNSEEN, *HTML]})
    out = capsys.readouterr().out
    assert out.isascii() and not obeyed(out.replace("\n", ""))
    assert json.loads(out) == {"a": [*TERMINAL, *UNSEEN, *HTML]}


@pytest.mark.parametrize("error", [cli.DuskgateError(ATTACK), ValueError(ATTACK), click.UsageError(ATTACK)])
@pytest.mark.parametrize("more", [[], ["--traceback"]])
def test_errors_obey_nobody(monkeypatch, error, more):
    @click.command("pull")
    def failing():
        raise error

    monkeypatch.setattr(cli.LazyCommands, "get_command", lambda self, ctx, name: failing)
    done = CliRunner().invoke(main, [*more, "pull"])
    lines = heard(done.stderr)
    assert done.exit_code in (1, 2) and any("]52;c" in line for line in lines)


@pytest.mark.parametrize(
    "words", [["night", ATTACK], [ATTACK], ["season", ATTACK], ["delay", ATTACK], ["site", "--check", "--file", ATTACK],
              ["night", ".", "--date", ATTACK], ["pull", "--port", ATTACK], ["pull", "--site", ATTACK],
              ["boards", "--port", ATTACK], ["note", ATTACK], ["demo", "--preset", ATTACK]]
)  # fmt: skip
def test_names_given_by_a_person_or_a_script_obey_nobody(words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, words)
    assert done.exit_code in (2, 3, 5), done.output
    heard(done.stderr)
    heard(done.stdout)
    assert "bug of ours" not in done.stderr


def test_the_live_picture_shows_marks():
    stream = io.StringIO()
    with terminal.Screen(stream) as screen:
        screen.draw([ATTACK])
    assert "\x07" not in stream.getvalue() and "]52;c" in stream.getvalue() and "\n" not in stream.getvalue()
    assert "<U+001B>]52" in stream.getvalue()
