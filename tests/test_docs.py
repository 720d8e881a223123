"""Pages say what the program does: made ones are current, links lead somewhere, each command has its example."""

from __future__ import annotations

import importlib.util
import json
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from blurscope.cli import COMMAND_MODULES, app

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
PAGES = sorted([*ROOT.glob("*.md"), *DOCS.rglob("*.md")])


def load(name: str):
    """Import a script of the docs folder."""
    spec = importlib.util.spec_from_file_location(name, DOCS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


MAKE_CLI = load("make_cli")
COMMANDS = MAKE_CLI.commands()


# ------------------------------------------------------------------------------------------------ commands


def test_all_registered_commands_are_known():
    assert set(COMMANDS) <= set(COMMAND_MODULES) and COMMANDS


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_has_help_with_an_example_of_itself(name):
    text = MAKE_CLI.help_of(name)
    assert re.search(r"^Examples?:", text, re.MULTILINE), f"{name} has no example"
    assert re.search(rf"blurscope {name}\b", text), f"the example of {name} doesn't call it"


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_is_in_the_page_with_all_its_options(name):
    page = (DOCS / "cli.md").read_text("utf-8")
    assert f"## blurscope {name}\n" in page
    assert MAKE_CLI.section(name) in page, "run 'python docs/make_cli.py'"


@pytest.mark.parametrize("name", COMMANDS)
def test_the_page_names_the_options_that_the_program_takes(name):
    """The page is made from the functions; what the parser prints has to agree with it."""
    done = subprocess.run(
        [sys.executable, "-m", "blurscope", name, "--help"],
        capture_output=True,
        text=True,
        env={"COLUMNS": "300", "TERMINAL_WIDTH": "300", "NO_COLOR": "1", "PATH": "", "PYTHONPATH": str(ROOT)},
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    listed = set(re.findall(r"(?<![\w-])--[a-z][a-z0-9-]+", MAKE_CLI.section(name).split("| | what")[-1]))
    shown = set(re.findall(r"^[^\w]*(?:\*\s*)?(--[a-z][a-z0-9-]+)", done.stdout, re.MULTILINE))
    assert shown and shown - {"--help"} <= listed


def test_the_page_is_current():
    assert (DOCS / "cli.md").read_text("utf-8") == MAKE_CLI.render(), "run 'python docs/make_cli.py'"


def test_the_page_of_flags_is_current():
    assert (DOCS / "flags.md").read_text("utf-8") == load("make_flags").render(), "run 'python docs/make_flags.py'"


def test_examples_become_lines_of_code():
    text = "Do it.\n\nExample: blurscope a b\n\nMore words on blurscope a."
    assert MAKE_CLI._prose(text) == "Do it.\n\nExample:\n\n    blurscope a b\n\nMore words on blurscope a."
    text = "Do it.\n\nExamples:\n\n\b\nblurscope a 1\nblurscope a \\\n  2\n\nMore."
    assert MAKE_CLI._prose(text).splitlines()[4:6] == ["    blurscope a 1", "    blurscope a \\ 2"]


# ------------------------------------------------------------------------------------------------ examples in pages


def command_lines(page: Path) -> list[str]:
    """Return the lines of a page's code blocks that call blurscope."""
    text = page.read_text("utf-8")
    blocks = re.findall(r"```[a-z]*\n(.*?)```", text, re.DOTALL)
    indented = re.findall(r"^(?: {4}|\t)(.+)$", text, re.MULTILINE)
    lines = [line.strip() for block in blocks for line in re.sub(r"\\\n\s*", "", block).splitlines()] + indented
    return [line.strip() for line in lines if re.match(r"\s*(\S*/)?blurscope [a-z]", line)]


LINES = [(page, line) for page in PAGES for line in command_lines(page)]


@pytest.mark.parametrize(("page", "line"), LINES, ids=lambda v: v.name if isinstance(v, Path) else v[:40])
def test_commands_in_pages_exist_with_their_options(page, line):
    name, *rest = shlex.split(re.split(r"\s+#|\s{2,}\(", line)[0])[1:]
    if name not in COMMANDS:
        assert name in COMMAND_MODULES, f"{page.name}: {line}"
        pytest.skip(f"{name} is not there yet")
    listed = MAKE_CLI.section(name).split("| | what")[-1]
    for option in (word.split("=")[0] for word in rest if re.match(r"--[a-z]", word)):
        assert f"`{option}`" in listed, f"{page.name}: {line}"


# ------------------------------------------------------------------------------------------------ pages


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(page):
    text = page.read_text("utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        path, _, anchor = target.partition("#")
        linked = (page.parent / path).resolve() if path else page
        assert linked.exists(), f"{page.name} links to {target}"
        assert linked.is_relative_to(ROOT)
        if anchor and linked.suffix == ".md":
            heads = re.findall(r"^#+ (.+)$", linked.read_text("utf-8"), re.MULTILINE)
            assert anchor in {_anchor(h) for h in heads}, f"{page.name} links to {target}"


def _anchor(head: str) -> str:
    return re.sub(r"[^\w\- ]", "", head.lower()).strip().replace(" ", "-")


@pytest.mark.parametrize("schema", sorted((ROOT / "blurscope" / "schemas").glob("*.json")), ids=lambda p: p.name)
def test_each_schema_has_its_section(schema):
    name = json.loads(schema.read_text("utf-8"))["properties"]["schema"]["const"]
    assert re.fullmatch(r"blurscope\.[a-z-]+/\d+", name)
    assert schema.name == f"{name.split('.')[1].split('/')[0]}.schema.json"
    page = (DOCS / "formats.md").read_text("utf-8")
    assert re.search(rf"^## `{re.escape(name)}`", page, re.MULTILINE), f"{name} has no section in docs/formats.md"


def test_formats_name_no_schema_that_is_missing():
    page = (DOCS / "formats.md").read_text("utf-8")
    sections = set(re.findall(r"^## `(blurscope\.[a-z-]+/\d+)`", page, re.MULTILINE))
    files = {
        json.loads(p.read_text("utf-8"))["properties"]["schema"]["const"]
        for p in (ROOT / "blurscope" / "schemas").glob("*.json")
    }
    assert sections <= files | {"blurscope.measurement/1", "blurscope.response/1"}


# ------------------------------------------------------------------------------------------------ readme and packaging


def readme_lines() -> list[str]:
    return [
        line.strip()
        for line in (ROOT / "README.md").read_text("utf-8").splitlines()
        if line.strip().startswith("python3 -m venv")
    ]


def test_the_readme_has_the_two_lines():
    demo, tests = readme_lines()
    assert demo.endswith("blurscope demo") and "pip install ." in demo
    assert tests.endswith("-m pytest") and "pip install -e '.[dev]'" in tests


def test_the_ci_script_takes_its_line_from_the_readme():
    script = (ROOT / ".ci" / "run").read_text("utf-8")
    assert "README.md" in script and "pip install -e" not in script
    subprocess.run(["bash", "-n", str(ROOT / ".ci" / "run")], check=True)


def test_versions_agree():
    import blurscope

    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["version"] == blurscope.__version__
    assert f"## {blurscope.__version__}" in (ROOT / "CHANGELOG.md").read_text("utf-8")


# ------------------------------------------------------------------------------------------------ starting up

HEAVY = ("scipy", "cv2", "matplotlib", "skimage", "tifffile", "rawpy", "pillow_heif", "av", "jinja2", "PIL", "numpy")


def test_starting_imports_nothing_heavy():
    code = f"import sys, blurscope.cli; print([m for m in {HEAVY} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", COMMANDS)
def test_a_commands_help_imports_nothing_heavy(name):
    code = (
        "import sys; from blurscope.cli import main; code = main([sys.argv[1], '--help']); "
        f"print('HEAVY', [m for m in {HEAVY[:-1]} if m in sys.modules], code)"
    )
    done = subprocess.run([sys.executable, "-c", code, name], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip().splitlines()[-1] == "HEAVY [] 0"


def test_importing_the_package_costs_nothing():
    code = f"import sys, blurscope; print([m for m in {(*HEAVY, 'typer')} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


def test_wrong_usage_is_2_and_no_arguments_show_help(capsys):
    from blurscope.cli import main

    assert main(["no-such-command"]) == 2
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("blurscope ")
    assert app.info.name == "blurscope"
