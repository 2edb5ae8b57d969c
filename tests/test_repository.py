"""What the repository promises about itself: its layout, its commands, what it ships."""

import json
import os
import re
import subprocess
import sys
import tomllib
import zipfile
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import pytest
from hatchling.builders.wheel import WheelBuilder

import reconcile
from service.balances.reply import BalanceReply
from service.balances.service import balance
from service.kit.replies import as_json
from service.kit.settings import Settings
from service.kit.units import UNITS
from service.sampling_plans.service import plan

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = ROOT / "openapi" / "examples"

ALLOWED = {
    *("reconcile", "service", "openapi", "tests", "docker"),
    *("README.md", "DEVELOPERS.md", "pyproject.toml"),
}


def _blocks(language: str, text: str = README) -> list[str]:
    """Give the code blocks of a language, without their fences."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


def _ran(*command: str, given: bytes | None = None) -> str:
    """Run a command from the root and give what it printed; it must succeed."""
    environment = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(
        command, input=given, capture_output=True, check=False, cwd=ROOT, env=environment
    )
    assert 0 == done.returncode, done.stdout.decode() + done.stderr.decode()
    return done.stdout.decode("utf-8")


# --- layout ---------------------------------------------------------------------------------


def test_the_top_level_holds_only_what_it_should() -> None:
    """Four parts, the container, three files; what git ignores and dotfiles aside."""
    ignored = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text().split()]
    names = {
        entry.name
        for entry in ROOT.iterdir()
        if not entry.name.startswith(".") and not any(fnmatch(entry.name, i) for i in ignored)
    }

    assert set() == names - ALLOWED
    assert set() == ALLOWED - names


def test_modules_know_only_what_they_may() -> None:
    """The contracts under [tool.importlinter] in pyproject.toml hold."""
    lint = (
        "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"
    )

    printed = _ran(sys.executable, "-c", lint)

    assert "0 broken" in printed


@pytest.mark.parametrize("name", reconcile.__all__)
def test_every_public_name_of_the_engine_is_there(name: str) -> None:
    """What __all__ lists can be imported, and is documented unless it is plain data."""
    found = getattr(reconcile, name)

    assert isinstance(found, str) or (found.__doc__ or "").strip()


def test_the_public_names_are_sorted_without_repeats() -> None:
    """The list is in the order a reader looks things up in."""
    assert sorted(set(reconcile.__all__), key=lambda n: (not n.isupper(), n)) == list(
        reconcile.__all__
    )


# --- what is shipped ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """Build the wheel."""
    built = list(WheelBuilder(str(ROOT)).build(directory=str(tmp_path_factory.mktemp("wheel"))))
    assert 1 == len(built)
    return zipfile.ZipFile(built[0])


def test_the_wheel_holds_the_example_requests(wheel: zipfile.ZipFile) -> None:
    """An installed 'evenlode example' needs no checkout: each request is there, byte by byte."""
    expected = {
        f"service/example_requests/{e.relative_to(EXAMPLES)}": e.read_bytes()
        for e in EXAMPLES.rglob("*.*")
    }

    shipped = {n: wheel.read(n) for n in wheel.namelist() if "example_requests" in n}

    assert {n for n in expected if n.endswith(".json")}
    assert expected == shipped


def test_the_wheel_holds_all_modules_and_nothing_else(wheel: zipfile.ZipFile) -> None:
    """Every module of engine and service is shipped; tests and tools are not."""
    expected = {
        str(path.relative_to(ROOT))
        for p in ("reconcile", "service")
        for path in ROOT.glob(f"{p}/**/*.py")
    }

    shipped = {n for n in wheel.namelist() if n.endswith(".py")}

    assert expected == shipped
    assert {"reconcile", "service"} == {
        n.split("/")[0] for n in wheel.namelist() if ".dist-info/" not in n
    }


# --- the documents --------------------------------------------------------------------------


def test_readme_and_the_full_check_run_the_same_commands() -> None:
    """The check takes README's two commands word for word, and has no test command of its own."""
    first, second = (
        re.search(rf"<!-- command: {name} -->\n```sh\n(.+)\n```\n", README)
        for name in ("set-up", "test")
    )
    assert first is not None
    assert second is not None

    shown = _ran("bash", ".ci/run", "--show").splitlines()

    assert [first[1], second[1]] == shown
    assert "pytest" in second[1]
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "pytest" not in script
    assert 1 == script.count('step "$set_up"')
    assert 1 == script.count('step "$test"')


def test_the_table_in_readme_is_what_the_command_prints() -> None:
    """Each line of the excerpt is a line of the table, in the same order."""
    (excerpt,) = _blocks("text")

    printed = _ran(
        *(sys.executable, "-m", "service.cli", "balance", "-"),
        given=(EXAMPLES / "tin-shed.json").read_bytes(),
    )

    lines = iter(line.rstrip() for line in printed.splitlines())
    assert [] == [line for line in excerpt.splitlines() if line not in lines]


def _name(entry: Any) -> str | None:
    return entry.get("name") if isinstance(entry, dict) else entry


def _grown(whole: Any, piece: Any) -> Any:
    """Add a piece as README says: objects completed, lists longer, what has the name replaced."""
    if isinstance(whole, dict):
        return whole | {k: _grown(whole[k], v) if k in whole else v for k, v in piece.items()}
    if isinstance(whole, list):
        names = {_name(entry) for entry in piece} - {None}
        return [entry for entry in whole if _name(entry) not in names] + piece
    return piece


def _pieces() -> list[tuple[str, dict[str, Any]]]:
    """Give the JSON blocks of README that are of requests, each with the heading above it."""
    block = r"^(<!-- [^\n]+ -->\n)?```json\n(.*?)^```$"
    parts = re.findall(rf"^##+ ([^\n]+)$|{block}", README, re.MULTILINE | re.DOTALL)
    found, heading = [], ""
    for title, mark, piece in parts:
        heading = title or heading
        if piece and not mark:
            found.append((heading, json.loads(piece)))
    return found


PIECES = _pieces()
MINIMAL = PIECES[0][1]


@pytest.mark.parametrize("piece", [p for _, p in PIECES], ids=[title for title, _ in PIECES])
def test_every_request_in_readme_has_a_balance(piece: dict[str, Any]) -> None:
    """A request can be sent as it stands, a piece once it is added to the first request."""
    request = piece if "title" in piece else _grown(MINIMAL, piece)

    reply = balance(json.dumps(request).encode(), Settings())

    assert "closed" == reply.outcome


def test_the_sampling_plan_in_readme_can_be_sent() -> None:
    """The piece, added to the first request, brings a plan within its budget."""
    _, _, below = README.partition("<!-- sampling plan -->\n")
    piece = json.loads(_blocks("json", below)[0])

    reply = plan(json.dumps(_grown(MINIMAL, piece)).encode(), Settings())

    assert 0 < reply.cost <= piece["budget"]


def test_the_reply_in_readme_is_what_the_piece_above_it_brings() -> None:
    """The excerpt of a reply holds members of that reply, word for word."""
    above, mark, below = README.partition("<!-- reply -->\n")
    piece, excerpt = json.loads(_blocks("json", above)[-1]), json.loads(_blocks("json", below)[0])
    reply = json.loads(as_json(balance(json.dumps(_grown(MINIMAL, piece)).encode(), Settings())))

    assert mark
    assert excerpt == {member: reply[member] for member in excerpt}


def test_readme_tells_every_unit() -> None:
    """The table of units holds every unit that can be read, and no other."""
    (table,) = re.findall(r"^\| what \| units \|\n(.+?)\n\n", README, re.MULTILINE | re.DOTALL)

    assert sorted(UNITS) == sorted(re.findall(r"`(.+?)`", table))


def test_readme_tells_every_member_of_a_reply() -> None:
    """Each member of the reply stands in the tables, in backticks."""
    rows = "".join(re.findall(r"^\|.+\|$", README, flags=re.MULTILINE))

    assert set() == set(BalanceReply.model_fields) - set(re.findall(r"`(\w+)`", rows))


def test_every_example_has_its_line_of_curl() -> None:
    """README has one line for each request, the same as the examples' own page."""
    table = (EXAMPLES / "README.md").read_text(encoding="utf-8")
    lines = [line for block in _blocks("sh") for line in block.splitlines()]
    sent = [line for line in lines if line.startswith("curl ") and "@openapi/examples/" in line]

    assert sorted(str(e.relative_to(EXAMPLES)) for e in EXAMPLES.rglob("*.*json")) == sorted(
        line.split("@openapi/examples/")[1].split()[0] for line in sent
    )
    assert sorted(sent) == sorted(re.findall(r"`(curl [^`]+)`", table))


def test_readme_tells_every_setting() -> None:
    """Each setting stands in README with its default."""
    told = dict(re.findall(r"^\| `EVENLODE_(\w+)` \| ([^|]+) \|", README, flags=re.MULTILINE))
    defaults = {name.upper(): field.default for name, field in Settings.model_fields.items()}

    assert {name: _shown(default) for name, default in defaults.items()} == told


def _shown(default: object) -> str:
    """Give a default as README writes it."""
    if isinstance(default, bool):
        return str(default).lower()
    return f"{default:.12g}" if isinstance(default, int | float) else str(default) or "empty"


def test_readme_explains_every_member_of_a_quantity() -> None:
    """Reading, value, sd, adjustment and the rest, and every class, are in the tables."""
    schema = BalanceReply.model_json_schema(by_alias=True, mode="serialization")["$defs"]
    words = {
        w
        for row in re.findall(r"^\|(.+?)\|", README, flags=re.MULTILINE)
        for w in re.findall(r"`(\w+)`", row)
    }

    assert set() == (set(schema["Assay"]["properties"]) - {"unit", "component"}) - words
    assert set() == set(schema["Knowledge"]["enum"]) - words


@pytest.mark.parametrize("path", sorted(EXAMPLES.rglob("*.json")), ids=lambda p: p.stem)
def test_example_data_are_marked_as_invented(path: Path) -> None:
    """No example passes for a real plant."""
    assert "invented" in json.loads(path.read_text(encoding="utf-8"))["note"].lower()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "docker/README.md"])
def test_links_between_the_documents_lead_somewhere(name: str) -> None:
    """Every relative link and every path in backticks with a suffix names a file that exists."""
    page = ROOT / name
    text = page.read_text(encoding="utf-8")
    links = [page.parent / link for link in re.findall(r"\]\((?!https?:)([^)#]+)\)", text)]
    paths = [ROOT / path for path in re.findall(r"`((?:[\w.-]+/)+[\w.-]+\.(?:py|md|json))`", text)]

    assert [] == [str(p) for p in (*links, *paths) if not p.exists()]


def test_the_developers_page_names_every_module_of_the_engine() -> None:
    """A new module finds its place in the table of stages, or in that of the kernel."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    modules = [
        str(path.relative_to(ROOT))
        for folder in ("reconcile", "reconcile/kernel")
        for path in (ROOT / folder).glob("*.py")
        if path.stem != "__init__"
    ]

    assert [] == [module for module in modules if f"`{module}`" not in page]


def test_the_lines_that_a_matter_costs_are_about_those_told() -> None:
    """The figure in each row of the table is the sum over its files, to a quarter."""
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (table,) = re.findall(
        r"^\| matter \| where \| lines \|\n(.+?)\n\n", page, re.MULTILINE | re.DOTALL
    )
    rows = [row.strip("| ").rsplit(" | ", 1) for row in table.splitlines()[1:]]

    told = [int(figure) for _, figure in rows]
    counted = [
        sum(
            len((ROOT / path).read_text(encoding="utf-8").splitlines())
            for path in re.findall(r"`([\w/]+\.py)`", where)
        )
        for where, _ in rows
    ]

    assert pytest.approx(told, rel=0.25) == counted


def test_the_container_listens_where_it_is_asked_after_its_health() -> None:
    """Address, port and health check of the container agree, and it does not run as root."""
    recipe = (ROOT / "docker" / "Dockerfile").read_text(encoding="utf-8")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

    assert re.search(r"^EXPOSE 8000$", recipe, flags=re.MULTILINE)
    assert '"--host", "0.0.0.0", "--port", "8000"' in recipe
    assert "http://127.0.0.1:8000/livez" in recipe
    assert re.search(r"^USER [1-9]\d+$", recipe, flags=re.MULTILINE)
    assert f'CMD ["{next(iter(project["scripts"]))}", "serve"' in recipe
