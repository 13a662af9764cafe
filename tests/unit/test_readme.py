"""What the README tells a newcomer to type, to press and to look at is there."""

import dataclasses
import re
import shlex
from pathlib import Path

import pytest
import typer

import plyflat
from plyflat.cli import app
from plyflat.page.marks import MARKS

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"

pytestmark = pytest.mark.skipif(not README.exists(), reason="the README stays in the source tree")


@pytest.fixture(scope="module")
def text():
    return README.read_text(encoding="utf-8")


def commands(text):
    """Every plyflat command in a block or between back ticks, without remarks, as words."""
    blocks = re.findall(r"```\n(.*?)```", text, re.S)
    lines = [line.strip() for block in blocks for line in block.splitlines()] + re.findall(r"`(plyflat [^`]+)`", text)
    found = [re.sub(r"\s+#.*", "", line) for line in lines if re.match(r"(\.venv/bin/)?plyflat ", line)]
    return [shlex.split(line)[1:] for line in found]


def test_every_command_is_there_with_its_options(text):
    group = typer.main.get_command(app)
    found = commands(text)
    assert {words[0] for words in found} == set(group.commands)
    assert len(found) > 10
    for words in found:
        command = group.commands[words[0]]
        options = {o for p in command.params if p.param_type_name == "option" for o in (*p.opts, *p.secondary_opts)}
        assert [w for w in words[1:] if re.match("--?[a-z]", w) and w not in options] == []
        # Read as the command line does, but not run.
        if len(words) > 1:
            command.make_context(words[0], words[1:])


def test_commands_without_their_option_would_be_found():
    assert commands('```\nplyflat plan job.toml -o out/   # everything\n```\n`plyflat` and `page`') == [["plan", "job.toml", "-o", "out/"]]
    with pytest.raises(Exception, match="No such option: --nothing"):
        typer.main.get_command(app).commands["plan"].make_context("plan", ["job.toml", "--nothing"])


def test_scripts_and_files_of_the_demo_are_there(text):
    named = set(re.findall(r"(?:scripts|meshes_demo)/[\w./]+\w", text))
    assert {"scripts/demo.py", "scripts/test.py", "meshes_demo/skeg_scan.ply", "meshes_demo/launch.toml"} <= named
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_pictures_are_there_and_small(text):
    named = {*re.findall(r"!\[.+?\]\((.+?)\)", text), *re.findall(r'<img src="(.+?)"', text)}
    assert len(named) >= 6
    sizes = [(ROOT / name).stat().st_size for name in named]
    assert max(sizes) < 300_000
    assert sum(sizes) < 1_000_000
    assert all(re.search(r'alt="\w[^"]{10,}"', tag) for tag in re.findall(r"<img [^>]+>", text))


def test_words_to_press_are_those_of_the_page(text):
    walk = text[text.index("## From a phone scan") : text.index("## The command")]
    bold = re.findall(r"\*\*(.+?)\*\*", walk.replace("\n", " ").replace("Words in **bold**", ""))
    words = {re.sub(r"\s+", " ", w) for w in bold}
    assert len(words) > 12
    page = (ROOT / "plyflat" / "page" / "page.html").read_text(encoding="utf-8")
    labels = {m.label for m in MARKS.values()} | {a.label for m in MARKS.values() for a in m.asks}
    assert [w for w in sorted(words) if w not in labels and f">{w}<" not in page and f">{w}.<" not in page] == []


def test_names_of_the_python_example_are_public(text):
    block = re.search(r"```python\n(.*?)```", text, re.S).group(1)
    names = set(re.findall(r"plyflat\.(\w+)", block))
    assert len(names) > 8
    assert [n for n in sorted(names) if n not in plyflat.__all__] == []
    compile(block, "README.md", "exec")
    # What stands in its remarks are attributes of what is returned.
    told = {call: set(re.findall(r"\.(\w+)", remark)) for call, remark in re.findall(r"plyflat\.(\w+)\(.*?#(.*)", block)}
    for call, of in (("find_corner", plyflat.Corner), ("flatten", plyflat.Flat)):
        assert told[call] - {q for q in dir(of)} - {f.name for f in dataclasses.fields(of)} == set(), call
