"""Balances of shifts: revisions of what was read, on both databases."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterator
from datetime import timedelta

import anyio
import pytest
from fastapi import FastAPI

from service.app import create_app
from service.calendars.schemas import EXAMPLE as CALENDAR
from service.kit.settings import Settings
from service.shifts.runner import Keeper
from tests.service.client import ask
from tests.service.stored.plant import FLOWSHEET, SINCE, SITE, changed, put
from tests.service.stored.shift_plant import (
    BALANCE,
    SHIFT,
    SHIFTS,
    START,
    addresses,
    assay,
    build,
    calculate,
    decide,
    mapping,
    mass,
    post,
    send,
    shift_readings,
    sign,
)

END = START + SHIFT


@pytest.fixture
def app(stored_url: str) -> Iterator[FastAPI]:
    """Give the service with the plant; a first calculation compiles, and is waited for."""
    made = create_app(Settings(database_url=stored_url, answer_within_s=300, recalculate_after_s=0))
    build(made)
    yield made
    made.state.store.close()


def _stream(reply: dict, name: str, period: str | None = None) -> dict:
    streams = reply["balance"]["streams"]
    return next(s for s in streams if (s["name"], s["period"]) == (name, period))


def test_new_readings_make_a_balance_stale_until_it_is_calculated(app: FastAPI) -> None:
    """What was posted is marked in the same transaction; asked for, it becomes a revision."""
    post(app, shift_readings(0))
    before = ask("GET", BALANCE, app=app)

    made = calculate(app)

    assert ("none", True, None) == tuple(
        before.json()[n] for n in ("standing", "stale", "revision")
    )
    assert ("open", False, 1) == tuple(made.json()[n] for n in ("standing", "stale", "revision"))
    assert before.headers["etag"] != made.headers["etag"]
    assert made.json() == ask("GET", BALANCE, app=app).json()


def test_a_revision_is_made_only_of_what_is_new(app: FastAPI) -> None:
    """Asked for again, or after readings that were known, a balance has no further revision."""
    post(app, shift_readings(0))
    first = calculate(app).json()
    post(app, shift_readings(0))

    again = calculate(app).json()

    assert first == again


def test_the_digest_is_that_of_the_record_byte_by_byte(app: FastAPI) -> None:
    """Anyone can hold the bytes against the digest; they tell readings, versions and result."""
    post(app, shift_readings(0))
    made = calculate(app).json()

    record = ask("GET", f"{BALANCE}/revisions/1/record", app=app)

    assert made["digest"] == hashlib.sha256(record.content).hexdigest()
    told = record.json()
    assert 6 == len(told["readings"])
    assert {"flowsheet": 1, "mapping": [1]} == told["versions"]
    assert made["balance"] == told["result"]


def test_missing_readings_leave_a_balance_of_what_is_there(app: FastAPI) -> None:
    """Without the mass of a product the rest determines it."""
    lines = [line for line in shift_readings(0) if line.get("tag") != "WIT-3"]
    post(app, lines)

    nonmag = _stream(calculate(app).json(), "nonmag")

    assert nonmag["mass"]["reading"] is None
    assert "observable" == nonmag["mass"]["class"]


def test_readings_that_cannot_be_used_are_listed_with_the_reason(app: FastAPI) -> None:
    """Out of range, parked or withdrawn: none counts, and none is lost from sight."""
    inside = END - timedelta(hours=1)
    post(
        app,
        [
            *shift_readings(0),
            mass("WIT-1", inside, 99_999),
            mass("WIT-9", inside, 5),
            assay("FEED", inside, 20.0),
        ],
    )
    withdrawn = assay("FEED", inside, 20.0, version=2) | {"value": None}
    post(app, [withdrawn])

    told = calculate(app).json()

    why = {(r.get("tag") or r["sample_point"], r["standing"]) for r in told["readings"] if r["why"]}
    assert {("WIT-1", "out-of-range"), ("FEED", "withdrawn")} == why
    assert [("WIT-9", 1)] == [(p["tag"], p["count"]) for p in told["parked"]]


def test_a_zero_whose_error_is_only_relative_is_left_out_by_name(app: FastAPI) -> None:
    """A weigher that stood still does not cost the shift its balance; the mapping is named."""
    lines = [line for line in shift_readings(0) if line.get("tag") != "WIT-2"]
    post(app, [*lines, mass("WIT-2", END, 0)])

    told = calculate(app).json()

    assert told["problem"] is None
    assert "closed" == told["balance"]["outcome"]
    (why,) = [r["why"] for r in told["readings"] if r["why"]]
    assert why.startswith("It is zero, and the mapping gives tag 'WIT-2' a relative error alone")


def test_what_is_parked_makes_no_balance_stale(app: FastAPI) -> None:
    """It counts nowhere until a mapping knows it, and opens no proposal beside what is signed."""
    post(app, shift_readings(0))
    calculate(app)

    post(app, [mass("WIT-9", END, 5)])

    told = ask("GET", BALANCE, app=app).json()
    assert (False, 1) == (told["stale"], len(told["parked"]))


def test_several_results_of_a_shift_make_one_reading(app: FastAPI) -> None:
    """Masses are summed and assays averaged, as the mapping says by default."""
    half = START + SHIFT / 2
    lines = [line for line in shift_readings(0) if line.get("tag") != "WIT-1"]
    post(
        app, [*lines, mass("WIT-1", half, 400), mass("WIT-1", END, 410), assay("FEED", half, 25.0)]
    )
    feed_assay = next(line["value"] for line in lines if line.get("sample_point") == "FEED")

    feed = _stream(calculate(app).json(), "feed")

    assert 810 == feed["mass"]["reading"]
    assert pytest.approx((feed_assay + 25.0) / 2) == feed["assays"][0]["reading"]


def test_a_composite_is_weighted_by_the_masses_of_its_shifts(app: FastAPI) -> None:
    """
    Two shifts with nothing in the feed but a composite: its grade is that of both together.

    Closed form: with exact masses, sum of mass times grade over sum of mass, as any composite.
    """
    lines = [*shift_readings(0), *shift_readings(1)]
    span = {"from": START.isoformat(), "to": (START + 2 * SHIFT).isoformat()}
    composite = assay("FEED", START + 2 * SHIFT, 30.0) | {"sample": "C-1", "composite": span}
    post(app, [line for line in lines if line.get("sample_point") != "FEED"])
    post(app, [composite])

    made = calculate(app).json()

    keys = [shift["key"] for shift in made["shifts"]]
    assert ["2026-03-01/morning", "2026-03-01/afternoon"] == keys
    feeds = [_stream(made, "feed", key) for key in keys]
    masses = [f["mass"]["value"] for f in feeds]
    grades = [f["assays"][0]["value"] for f in feeds]
    whole = sum(m * g for m, g in zip(masses, grades, strict=True)) / sum(masses)
    read = next(r for r in made["balance"]["readings"] if keys == r["periods"])
    assert pytest.approx(whole, rel=1e-9) == read["reconciled"]
    second = calculate(app, list(addresses(2))[1]).json()
    assert made["balance"]["streams"] == second["balance"]["streams"]


def test_a_reading_of_one_shift_makes_stale_whatever_a_composite_joins_with_it(
    app: FastAPI,
) -> None:
    """A composite ties its shifts together: what comes for one of them concerns the other."""
    span = {"from": START.isoformat(), "to": (START + 2 * SHIFT).isoformat()}
    post(app, [*shift_readings(0), *shift_readings(1)])
    post(app, [assay("FEED", END, 30.0) | {"sample": "C-1", "composite": span}])
    calculate(app)

    post(app, [shift_readings(1)[0] | {"version": 2, "value": 801.0}])

    assert ask("GET", BALANCE, app=app).json()["stale"]
    assert 2 == calculate(app).json()["revision"]


def test_a_stock_opens_with_what_was_read_at_the_end_of_the_shift_before(app: FastAPI) -> None:
    """What a shift left in the bin the next one finds there; a correction concerns both."""
    sheet = changed(FLOWSHEET)
    sheet["flowsheet"]["nodes"] = [{"name": "stage 1", "stock": True}]
    etag = ask("GET", f"{SITE}/flowsheets/main", app=app).headers["etag"]
    assert 200 == put(app, "/flowsheets/main", sheet, {"If-Match": etag}).status_code
    new = mapping()
    level = {"stock": "stage 1", "of": "mass", "unit": "t", "sd": 5}
    new["entries"].append({"tag": "LIT-1", "reading": level, "stamped": "end"})
    etag = ask("GET", f"{SITE}/mapping", app=app).headers["etag"]
    assert 200 == put(app, "/mapping", new, {"If-Match": etag}).status_code
    second = list(addresses(2))[1]
    levels = [mass("LIT-1", END, 120), mass("LIT-1", END + SHIFT, 90)]
    post(app, [*shift_readings(0), *shift_readings(1), *levels])

    first, later = _levels(calculate(app).json()), _levels(calculate(app, second).json())
    post(app, [mass("LIT-1", END, 130, version=2)])
    stale = ask("GET", second, app=app).json()["stale"]

    assert {"closing": 120} == first
    assert {"opening": 120, "closing": 90} == later
    assert stale
    assert {"opening": 130, "closing": 90} == _levels(calculate(app, second).json())


def _levels(reply: dict) -> dict:
    """Give what was read of stocks, by when."""
    return {r["at"]: r["value"] for r in reply["balance"]["readings"] if r["stock"]}


def test_a_mapping_that_comes_later_takes_up_what_was_parked(app: FastAPI) -> None:
    """The balance falls due with the mapping, and the next revision holds the reading."""
    post(app, [*shift_readings(0), mass("WIT-7", END, 300)])
    calculate(app)
    new = mapping()
    new["entries"].append(
        {
            "tag": "WIT-7",
            "reading": {"stream": ["mag 1"], "of": "mass", "unit": "t", "relative_sd": 0.02},
            "stamped": "end",
        }
    )
    etag = ask("GET", f"{SITE}/mapping", app=app).headers["etag"]
    put(app, "/mapping", new, {"If-Match": etag})

    made = calculate(app).json()

    (reading,) = [r for r in made["readings"] if r.get("tag") == "WIT-7"]
    assert 2 == made["revision"]
    assert "Another instrument reads the same, and stands first." == reading["why"]


def test_a_shift_of_which_nothing_was_read_has_no_balance(app: FastAPI) -> None:
    """Nothing is made of nothing: the address is not there."""
    assert 404 == ask("POST", BALANCE, app=app).status_code
    assert 404 == ask("GET", BALANCE, app=app).status_code


def test_an_address_that_names_nothing_is_told_so(app: FastAPI) -> None:
    """Neither a flowsheet, a shift, a day nor a revision that is not there is guessed at."""
    post(app, shift_readings(0))
    calculate(app)

    for address in (
        "2026-03-01/morning/balances/other",
        "2026-03-01/evening/balances/main",
        "2026-02-30/morning/balances/main",
        "yesterday/morning/balances/main",
        "2026-03-01/morning/balances/main/revisions/7",
        "2026-03-01/morning/balances/main/revisions/0/record",
        "2026-03-01/morning/balances/main/revisions/1/changes",
    ):
        assert 404 == ask("GET", f"{SITE}/shifts/{address}", app=app).status_code, address


def test_readings_without_a_balance_are_told_again_until_they_are_mended(app: FastAPI) -> None:
    """Fixed values that contradict each other: the problem is kept, until it is corrected."""
    lines = [line | ({"sd": 0} if "tag" in line else {}) for line in shift_readings(0)]
    post(app, lines)

    refused = [ask("POST", BALANCE, app=app) for _ in range(2)]

    assert [422, 422] == [r.status_code for r in refused]
    assert "/problems/contradictory-fixed-values" == refused[1].json()["type"]
    assert (
        "/problems/contradictory-fixed-values"
        == ask("GET", BALANCE, app=app).json()["problem"]["type"]
    )
    post(app, [line | {"version": 2} for line in shift_readings(0) if "tag" in line])
    assert calculate(app).json()["problem"] is None


def test_the_difference_of_two_revisions_is_told_in_words_and_numbers(app: FastAPI) -> None:
    """A correction and what it does to the figures."""
    post(app, shift_readings(0))
    before = calculate(app).json()
    post(app, [assay("FEED", END, 35.0, version=2)])
    after = calculate(app).json()

    told = ask("GET", f"{BALANCE}/revisions/2/changes", app=app).json()

    (change,) = told["readings"]
    assert "corrected" == change["change"]
    assert "was corrected by version 2 (35.0)" in told["statements"][0].replace("(35)", "(35.0)")
    figures = {f["figure"]: f for f in told["figures"]}
    feed = figures["Sn of 'feed'"]
    assert _stream(before, "feed")["assays"][0]["value"] == feed["before"]
    assert _stream(after, "feed")["assays"][0]["value"] == feed["after"]
    assert abs(told["figures"][0]["in_sd"]) >= abs(feed["in_sd"])


def test_with_prefer_respond_async_the_answer_is_where_to_look(app: FastAPI) -> None:
    """202 with the address; nothing is waited for."""
    post(app, shift_readings(0))

    told = ask("POST", BALANCE, app=app, headers={"Prefer": "respond-async"})

    assert (202, BALANCE) == (told.status_code, told.headers["location"])


# --- decisions -----------------------------------------------------------------------------------


def test_a_suspect_left_out_counts_for_nothing_and_is_expected_from_the_rest(app: FastAPI) -> None:
    """The balance says what it would have expected, who left it out and why."""
    post(app, shift_readings(0))
    calculate(app)

    assert 201 == decide(app, "FEED", "leave out").status_code
    made = calculate(app).json()

    (reading,) = [r for r in made["readings"] if r.get("sample_point") == "FEED"]
    assert "A. Metallurgist" in reading["why"]
    (result,) = [r for r in made["balance"]["readings"] if reading["as"] == r["pointer"]]
    assert "Left out by A. Metallurgist: sample bag found open" == result["left_out"]
    assert result["reconciled"] is not None


def test_an_override_stands_instead_of_the_reading_and_can_be_undone(app: FastAPI) -> None:
    """The value of the person counts; undone, the reading does again, with the same figures."""
    post(app, shift_readings(0))
    first = calculate(app).json()
    decide(app, "WIT-1", "override", value=650.0)
    overridden = calculate(app).json()
    decide(app, "WIT-1", "undo")

    undone = calculate(app).json()

    assert 650.0 == _stream(overridden, "feed")["mass"]["reading"]
    assert first["balance"] == undone["balance"]
    assert 3 == undone["revision"]


def test_a_reading_out_of_range_counts_where_a_person_says_so(app: FastAPI) -> None:
    """'use' is the word for it."""
    lines = [line for line in shift_readings(0) if line.get("tag") != "WIT-1"]
    post(app, [*lines, mass("WIT-1", END, 5200)])
    assert _stream(calculate(app).json(), "feed")["mass"]["reading"] is None

    decide(app, "WIT-1", "use")

    assert 5200 == _stream(calculate(app).json(), "feed")["mass"]["reading"]


def test_a_decision_is_about_one_version_and_lapses_with_the_next(app: FastAPI) -> None:
    """What the source corrects counts again; a decision about what is no more is refused."""
    post(app, shift_readings(0))
    decide(app, "FEED", "leave out")
    post(app, [assay("FEED", END, 31.0, version=2)])

    (reading,) = [r for r in calculate(app).json()["readings"] if r.get("sample_point") == "FEED"]

    assert (True, None) == (reading["lapsed"], reading["why"])
    assert 409 == decide(app, "FEED", "leave out").status_code


NONSENSE = [
    ("override", {}, "missing-field"),
    ("override", {"value": 3, "unit": "%"}, "unit-does-not-fit"),
    ("leave out", {"value": 3}, "not-of-this-decision"),
    ("use", {}, "nothing-to-use"),
    ("undo", {}, "nothing-to-undo"),
    ("leave out", {"reason": "  "}, "empty-text"),
    ("leave out", {"person": ""}, "bad-name"),
]


def test_a_decision_that_makes_no_sense_is_refused_by_name(app: FastAPI) -> None:
    """Each with the code that programs go by; nothing enters the trail."""
    post(app, shift_readings(0))

    for decision, others, code in NONSENSE:
        refused = decide(app, "WIT-1", decision, **others)
        assert 422 == refused.status_code, code
        assert [code] == [fault["code"] for fault in refused.json()["faults"]]
    assert [] == ask("GET", f"{SITE}/trail", app=app).json()["entries"]


# --- lists ---------------------------------------------------------------------------------------


def test_balances_are_listed_in_pages_by_time_and_standing(app: FastAPI) -> None:
    """Links lead through all of them; filters hold on every page."""
    post(app, [line for n in range(5) for line in shift_readings(n)])
    for address in list(addresses(5))[:3]:
        calculate(app, address)
    sign(app, calculate(app))

    first = ask("GET", f"{SITE}/balances?limit=2", app=app)
    seen = first.json()["balances"]
    while (link := first.json()["next"]) is not None:
        assert f'<{link}>; rel="next"' in first.headers["link"]
        first = ask("GET", link, app=app)
        seen += first.json()["balances"]

    assert list(addresses(5)) == [entry["address"] for entry in seen]
    assert ["signed", "open", "open", "none", "none"] == [entry["standing"] for entry in seen]
    stale = ask("GET", f"{SITE}/balances?stale=true&standing=none", app=app).json()["balances"]
    assert seen[3:] == stale
    later = ask("GET", f"{SITE}/balances?from=2026-03-02T00:00:00%2B08:00", app=app)
    assert seen[2:] == later.json()["balances"]


def test_lists_come_as_json_ndjson_or_csv(app: FastAPI) -> None:
    """Three forms of the same entries; another form is refused."""
    post(app, shift_readings(0))
    calculate(app)
    address = f"{SITE}/reconciled-readings?stream=mag%201&class=redundant"

    plain = ask("GET", address, app=app).json()["readings"]
    lines = ask("GET", address, app=app, headers={"Accept": "application/x-ndjson"})
    table = ask("GET", address, app=app, headers={"Accept": "text/csv;q=0.9, text/html"})

    assert {"mass", "Sn"} == {entry["of"] for entry in plain}
    assert plain == [json.loads(line) for line in lines.text.splitlines()]
    assert "text/csv; charset=utf-8" == table.headers["content-type"]
    rows = list(csv.DictReader(io.StringIO(table.text)))
    assert [entry["value"] for entry in plain] == [float(row["value"]) for row in rows]
    assert 406 == ask("GET", address, app=app, headers={"Accept": "text/html"}).status_code


def test_the_laboratory_learns_what_to_assay_again(app: FastAPI) -> None:
    """
    One assay of a shift is 15 % too high: the batch tells the shift, and by how much it is off.

    One balance of tin ties its three assays together, so that no reading can tell which of them is
    wrong: all three disagree alike, and none of the other shifts does.
    """
    lines = [line for n in range(3) for line in shift_readings(n)]
    wrong = next(i for i, line in enumerate(lines) if line.get("sample_point") == "NONMAG")
    error = 0.15 * lines[wrong]["value"]
    lines[wrong]["value"] = round(lines[wrong]["value"] + error, 3)
    post(app, lines)
    for address in addresses(3):
        calculate(app, address)

    told = send(app, f"{SITE}/disagreements", {"readings": lines}).json()["results"]

    assert len(lines) == len(told)
    assays = {i for i, line in enumerate(lines[:6]) if "sample_point" in line}
    off = {entry["line"] - 1: entry for entry in told if entry["disagrees"]}
    assert wrong in off
    assert assays >= set(off)
    assert list(range(1, len(off) + 1)) == sorted(entry["priority"] for entry in off.values())
    # The estimate of the error has its own error; five sd is beyond any reasonable draw.
    assert abs(off[wrong]["off_by"] - error) < 5 * off[wrong]["off_by_sd"]


def test_a_line_that_no_balance_holds_is_told_so(app: FastAPI) -> None:
    """Unread, not stored, not used, not yet calculated: each is said of its line."""
    post(app, [*shift_readings(0), mass("WIT-1", END - SHIFT / 4, 99_999)])
    calculate(app)
    post(app, shift_readings(1)[:1])
    lines = [
        {"source": "laboratory"},
        shift_readings(2)[0],
        mass("WIT-1", END - SHIFT / 4, 99_999),
        shift_readings(1)[0],
    ]

    told = send(app, f"{SITE}/disagreements", {"readings": lines}).json()["results"]

    assert [
        "The line cannot be read; post it to see why.",
        "It is not stored.",
        "The balance does not use it.",
        "No balance holds it yet.",
    ] == [entry["what"] for entry in told]


def test_what_cannot_be_calculated_rests_until_something_comes(app: FastAPI) -> None:
    """The service tells why, goes on with the rest, and tries again after a correction."""
    wrong = [line | ({"sd": 0} if "tag" in line else {}) for line in shift_readings(0)]
    post(app, [*wrong, *shift_readings(1)])
    other = list(addresses(2))[1]

    async def looked() -> list[int]:
        keeper = Keeper(app)
        return [await keeper.look() for _ in range(2)]

    counts = anyio.run(looked)

    assert [2, 0] == counts
    assert ["none", "open"] == [
        ask("GET", address, app=app).json()["standing"] for address in (BALANCE, other)
    ]
    post(app, [line | {"version": 2} for line in shift_readings(0) if "tag" in line])
    assert [1, 0] == anyio.run(looked)
    assert "open" == ask("GET", BALANCE, app=app).json()["standing"]


def test_a_mapping_that_comes_after_everything_gives_balances_to_what_was_parked(
    stored_url: str,
) -> None:
    """Readings that came before mapping and calendar: every shift of them is found and balanced."""
    settings = Settings(database_url=stored_url, recalculate_after_s=0)
    bare = create_app(settings)
    for path, body in (("", {"name": "Tin shed"}), ("/flowsheets/main", FLOWSHEET)):
        put(bare, path, body)
    post(bare, [line for n in range(3) for line in shift_readings(n)])
    for path, body in (
        ("/mapping", mapping()),
        ("/calendar", changed(CALENDAR, valid_from=SINCE, shifts=SHIFTS)),
    ):
        put(bare, path, body)

    counts = [anyio.run(Keeper(bare).look) for _ in range(2)]

    assert [3, 0] == counts
    listed = ask("GET", f"{SITE}/balances?standing=open", app=bare).json()["balances"]
    assert list(addresses(3)) == [entry["address"] for entry in listed]
    bare.state.store.close()
