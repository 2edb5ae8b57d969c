"""
Who may do what: every route of the contract as nobody, as another site and with too small a scope.

The walk is made from the OpenAPI document, so that a new route cannot escape it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from click.testing import Result
from fastapi import FastAPI
from fastapi.routing import APIRoute
from typer.testing import CliRunner

from service.access import service as access
from service.access.keys import digest_of, is_same, new_key, prefix_of
from service.access.local import PASSED_ON, is_local, is_loopback
from service.access.scopes import NEEDED, OF_THE_WHOLE, PUBLIC
from service.app import contract_text, create_app
from service.cli import application
from service.kit.caller import Scope
from service.kit.settings import Settings
from service.store import Store
from service.store.tables import metadata
from tests.service.client import JSON, ask

DOCUMENT: dict[str, Any] = json.loads(contract_text())

OPERATIONS = [
    (path, method, operation)
    for path, methods in DOCUMENT["paths"].items()
    for method, operation in methods.items()
]
NAMES = [operation["operationId"] for _, _, operation in OPERATIONS]
GUARDED = [entry for entry in OPERATIONS if entry[2]["operationId"] not in PUBLIC]
OF_SITES = [entry for entry in GUARDED if "{site}" in entry[0]]


def _address(path: str, operation: dict[str, Any], site: str) -> str:
    """Fill the template of an address with something that can stand there."""
    for parameter in operation.get("parameters", ()):
        if parameter["in"] == "path":
            value = "1" if parameter["schema"].get("type") == "integer" else "main"
            value = site if parameter["name"] == "site" else value
            path = path.replace(f"{{{parameter['name']}}}", value)
    return path


def _sent(
    app: FastAPI, entry: tuple[str, str, dict[str, Any]], key: str | None, site: str = "ours"
) -> httpx.Response:
    """Send the request that the contract gives as an example."""
    path, method, operation = entry
    headers = {} if key is None else {"Authorization": f"Bearer {key}"}
    content = None
    if "requestBody" in operation:
        media, said = next(iter(operation["requestBody"]["content"].items()))
        headers["Content-Type"] = media
        example = said.get("example", "")
        content = example if isinstance(example, str) else json.dumps(example)
    return ask(
        method.upper(), _address(path, operation, site), app=app, content=content, headers=headers
    )


@pytest.fixture
def two_sites(app: FastAPI, store: Store) -> FastAPI:
    """Give the service with two sites, made before there was any key."""
    for site in ("ours", "theirs"):
        body = json.dumps({"name": site.title()})
        headers = JSON | {"If-None-Match": "*"}
        assert (
            201
            == ask("PUT", f"/v1/sites/{site}", app=app, content=body, headers=headers).status_code
        )
    access.create(store, "the first", [Scope.READ])
    app.state.first_key = type(app.state.first_key)()
    return app


def _everything(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    """Give all rows of all tables."""
    with store.reading() as connection:
        return {
            table.name: [tuple(row) for row in connection.execute(sa.select(table))]
            for table in metadata.sorted_tables
        }


# --- the walk -------------------------------------------------------------------------------


def test_every_operation_of_the_contract_has_its_scope() -> None:
    """The one table that says so names each operation once, and no other."""
    assert sorted(NAMES) == sorted({*NEEDED, *PUBLIC} - {"docs"})
    for _, _, operation in OPERATIONS:
        needed = NEEDED.get(operation["operationId"])
        assert operation["security"] == ([] if needed is None else [{"key": [str(needed)]}])


def _routes(routes: Sequence[Any]) -> Iterator[Any]:
    """Give all routes, those of included routers too, which some versions keep as they are."""
    for route in routes:
        included = getattr(route, "original_router", None)
        if included is None:
            yield route
        else:
            yield from _routes(included.routes)


def test_no_route_is_outside_of_the_contract() -> None:
    """What is served beside the contract is the contract itself and its viewer."""
    hidden = {
        getattr(route, "path", "")
        for route in _routes(create_app(Settings()).routes)
        if not (isinstance(route, APIRoute) and route.include_in_schema)
    }

    assert {"/docs", "/openapi.json", "/docs/assets"} == hidden


def test_nobody_gets_through_once_there_is_a_key(two_sites: FastAPI, store: Store) -> None:
    """Every operation but the public ones answers 401, names the scheme, and does nothing."""
    before = _everything(store)

    for entry in GUARDED:
        reply = _sent(two_sites, entry, None)
        assert (401, "/problems/key-needed") == (reply.status_code, reply.json()["type"]), entry[0]
        assert reply.headers["www-authenticate"].startswith("Bearer")

    assert before == _everything(store)


def test_a_key_that_is_none_gets_no_further(two_sites: FastAPI, store: Store) -> None:
    """Made up, cut short, of another scheme: 401 with the reason of RFC 6750."""
    good = access.create(store, "lab", Scope)
    for entry in GUARDED:
        for wrong in (new_key().text, good[:-1], good + "x", ""):
            reply = _sent(two_sites, entry, wrong)
            assert 401 == reply.status_code
            assert 'error="invalid_token"' in reply.headers["www-authenticate"]


def test_another_site_cannot_be_told_from_none(two_sites: FastAPI, store: Store) -> None:
    """With all scopes of another site: 404, the same as for a site that is not there."""
    key = access.create(store, "their lab", Scope, site="theirs")
    before = _everything(store)

    for entry in OF_SITES:
        there, absent = (_sent(two_sites, entry, key, site) for site in ("ours", "never"))
        shown = [
            {k: str(v).replace(site, "SITE") for k, v in reply.json().items() if k != "instance"}
            for reply, site in ((there, "ours"), (absent, "never"))
        ]
        assert 404 == there.status_code == absent.status_code, entry[0]
        assert shown[0] == shown[1], entry[0]
        assert set(there.headers) == set(absent.headers), entry[0]

    assert before == _everything(store)


def test_each_operation_needs_its_scope_and_no_other(two_sites: FastAPI, store: Store) -> None:
    """With all scopes but its own: 403 that names it, and nothing done. With it alone: let in."""
    own = {scope: access.create(store, scope, {scope}, site="ours") for scope in Scope}
    others = {
        scope: access.create(store, scope, set(Scope) - {scope}, site="ours") for scope in Scope
    }
    before = _everything(store)

    for entry in GUARDED:
        needed = NEEDED[entry[2]["operationId"]]
        refused = _sent(two_sites, entry, others[needed])
        assert (403, "/problems/scope-missing") == (refused.status_code, refused.json()["type"])
        assert f'scope="{needed}"' in refused.headers["www-authenticate"]

    assert before == _everything(store)
    for entry in GUARDED:
        name = entry[2]["operationId"]
        status = _sent(two_sites, entry, own[NEEDED[name]]).status_code
        assert (status in {401, 403}) == (name in OF_THE_WHOLE), entry[0]


def test_what_tells_of_all_sites_needs_a_key_of_all(two_sites: FastAPI, store: Store) -> None:
    """How busy the others are is theirs too."""
    every = access.create(store, "monitor", [Scope.READ])

    for entry in GUARDED:
        if entry[2]["operationId"] in OF_THE_WHOLE:
            assert 200 == _sent(two_sites, entry, every).status_code


def test_the_list_of_sites_holds_those_of_the_caller(two_sites: FastAPI, store: Store) -> None:
    """A key of one site sees that one; a key of every site sees all."""
    one = access.create(store, "theirs", [Scope.READ], site="theirs")
    every = access.create(store, "all", [Scope.READ])

    seen = [
        [
            site["key"]
            for site in ask(
                "GET", "/v1/sites", app=two_sites, headers={"Authorization": f"bearer {key}"}
            ).json()["sites"]
        ]
        for key in (one, every)
    ]

    assert [["theirs"], ["ours", "theirs"]] == seen


# --- keys -----------------------------------------------------------------------------------


def _read(app: FastAPI, key: str) -> int:
    headers = {"Authorization": f"Bearer {key}"}
    return ask("GET", "/v1/sites", app=app, headers=headers).status_code


def test_a_key_opens_until_it_is_revoked(two_sites: FastAPI, store: Store) -> None:
    """Revocation counts from the next request on; a second one changes nothing."""
    key = access.create(store, "lab", [Scope.READ])
    assert 200 == _read(two_sites, key)

    access.revoke(store, prefix_of(key) or "")
    first = next(k for k in access.listed(store) if k.name == "lab").revoked_at
    access.revoke(store, key)

    assert 401 == _read(two_sites, key)
    assert first == next(k for k in access.listed(store) if k.name == "lab").revoked_at


def test_a_key_opens_until_its_time_is_over(two_sites: FastAPI, store: Store) -> None:
    """An expired key is like none."""
    lasting = access.create(store, "lab", [Scope.READ], days=1)
    over = access.create(store, "guest", [Scope.READ], days=1e-9)

    assert (200, 401) == (_read(two_sites, lasting), _read(two_sites, over))


def test_what_is_kept_of_a_key_does_not_open(store: Store) -> None:
    """Neither prefix nor digest is the key, and the secret is nowhere in the database."""
    key = access.create(store, "lab", [Scope.READ])
    secret = key.rsplit("_", 1)[-1]

    kept = str(_everything(store))

    assert secret not in kept
    assert digest_of(key) in kept
    assert access.recognised(store, digest_of(key)) is None


def test_keys_are_random_and_of_one_form() -> None:
    """Forty-three characters of base 64 hold 256 bits; no two keys are alike."""
    made = [new_key() for _ in range(100)]

    assert 100 == len({key.text for key in made}) == len({key.prefix for key in made})
    assert all(prefix_of(key.text) == key.prefix for key in made)
    assert all(len(key.text) == len("evenlode_") + 12 + 1 + 43 for key in made)
    assert is_same(made[0].text, made[0].digest)
    assert not is_same(made[0].text, made[1].digest)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"name": " ", "scopes": [Scope.READ]}, "name"),
        ({"name": "lab", "scopes": []}, "scope"),
        ({"name": "lab", "scopes": [Scope.READ], "site": "never"}, "no site"),
        ({"name": "lab", "scopes": [Scope.READ], "days": 0}, "no time"),
    ],
)
def test_a_key_that_makes_no_sense_is_not_made(
    store: Store, asked: dict[str, Any], words: str
) -> None:
    """It says what is wrong, and nothing is kept."""
    with pytest.raises(access.UnusableKeyError, match=words):
        access.create(store, **asked)

    assert [] == access.listed(store)


# --- without a key --------------------------------------------------------------------------


def test_the_machine_itself_needs_no_key_until_there_is_one(app: FastAPI, store: Store) -> None:
    """Set-up needs no ceremony; from the first key on it is needed, also once that is revoked."""
    assert 200 == ask("GET", "/v1/sites", app=app).status_code

    key = access.create(store, "lab", [Scope.READ])
    access.revoke(store, key)
    app.state.first_key = type(app.state.first_key)()

    assert 401 == ask("GET", "/v1/sites", app=app).status_code


def test_a_key_can_be_demanded_from_the_start(stored_url: str) -> None:
    """EVENLODE_KEY_NEEDED leaves nobody in without one."""
    app = create_app(Settings(database_url=stored_url, key_needed=True))

    assert 401 == ask("GET", "/v1/sites", app=app).status_code
    app.state.store.close()


HOME = {"client": ("127.0.0.1", 4000), "server": ("127.0.0.1", 8000), "host": "localhost:8000"}


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({}, True),
        ({"host": "127.0.0.1:8000"}, True),
        ({"host": "[::1]:8000", "client": ("::1", 1), "server": ("::1", 2)}, True),
        ({"client": ("::ffff:127.0.0.1", 1)}, True),
        ({"origin": "http://localhost:3000"}, True),
        ({"client": ("192.0.2.7", 1)}, False),
        ({"client": ("::ffff:192.0.2.7", 1)}, False),
        ({"server": ("192.0.2.1", 8000)}, False),
        ({"client": None}, False),
        ({"server": None}, False),
        ({"host": "balance.example"}, False),
        ({"host": "localhost.example"}, False),
        ({"host": "localhost@balance.example"}, False),
        ({"host": None}, False),
        ({"origin": "https://page.example"}, False),
        ({"origin": "null"}, False),
        *(({name: "127.0.0.1"}, False) for name in PASSED_ON),
    ],
)
def test_what_only_seems_to_come_from_the_machine_needs_a_key(
    changed: dict[str, Any], expected: bool
) -> None:
    """Proxies, rebound names and pages of elsewhere are not the machine itself."""
    given = HOME | changed
    client, server = given.pop("client"), given.pop("server")
    headers = [(k.encode(), v.encode()) for k, v in given.items() if v is not None]

    assert expected == is_local(
        {"type": "http", "headers": headers, "client": client, "server": server}
    )


@pytest.mark.parametrize(
    "host", ["0.0.0.0", "::", "192.0.2.1", "", "balance.example", "127.0.0.1.x"]
)
def test_other_addresses_are_not_the_machine(host: str) -> None:
    """Only loopback addresses and the name localhost are."""
    assert not is_loopback(host)


# --- the command line -----------------------------------------------------------------------


@pytest.fixture
def command(tmp_path: Path) -> Callable[..., Result]:
    """Give the command on a database of its own."""
    environment = {"EVENLODE_DATABASE_URL": f"sqlite:///{tmp_path}/keys.db"}

    def run(*words: str) -> Result:
        return CliRunner().invoke(application, words, env=environment)

    return run


def test_keys_are_made_listed_and_revoked_on_the_command_line(
    command: Callable[..., Result],
) -> None:
    """The key alone goes to standard output, once; the list never shows it."""
    made = command("keys", "create", "night lab", "--scope", "post", "--scope", "read")
    key = made.stdout.strip()
    listed = command("keys", "list").stdout
    revoked = command("keys", "revoke", key[9:21])

    assert (0, 0) == (made.exit_code, revoked.exit_code)
    assert prefix_of(key) is not None
    assert "night lab" in listed
    assert "post,read" in listed
    assert key not in listed
    assert "revoked" in command("keys", "list").stdout
    assert 2 == command("keys", "create", "x", "--scope", "all").exit_code
    assert 2 == command("keys", "revoke", "000000000000").exit_code


def test_the_service_does_not_listen_elsewhere_without_a_key(
    command: Callable[..., Result],
) -> None:
    """It says how to make one, and ends with 2 before it has listened."""
    done = command("serve", "--host", "0.0.0.0", "--port", "0")

    assert 2 == done.exit_code
    assert "evenlode keys create" in done.stderr
