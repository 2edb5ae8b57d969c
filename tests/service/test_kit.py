"""The small parts: figures, tables, the strict reader."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from threadpoolctl import threadpool_info, threadpool_limits

import reconcile  # noqa: F401 - loads the libraries whose threads are limited
from reconcile.faults import Where
from service.kit import strict_json
from service.kit.figures import p_value, plus_minus, signed
from service.kit.plain_table import Column, table, visible, width_of
from service.kit.strict_json import pointer
from service.kit.threads import use_one_thread_each
from service.kit.wire_faults import locate


@pytest.mark.parametrize(
    ("value", "sd", "expected"),
    [
        (31.541375, 0.43813, "31.54 ± 0.44"),
        (2496.4994, 3.5355, "2496.5 ± 3.5"),
        (12345.6, 345.6, "12350 ± 350"),
        (0.012345, 0.00996, "0.012 ± 0.010"),
        (0.5, 0.0994, "0.500 ± 0.099"),
        (-0.0001, 0.2, "0.00 ± 0.20"),
        (5.0, 0.0, "5"),
        (5.25, None, "5.25"),
        (0.0, 0.5, "0.00 ± 0.50"),
        (2500.0, 1e-8, "2500.0000 ± 1e-08"),
        (905.0, 1.3e-17, "905"),
        (1e12, 1e9, "1e+12 ± 1e+09"),
    ],
)
def test_a_value_is_shown_to_two_digits_of_its_sd(
    value: float, sd: float | None, expected: str
) -> None:
    """Rounding after JCGM 100:2008, 7.2.6; the cases are rounded by hand."""
    assert expected == plus_minus(value, sd)


@pytest.mark.parametrize(
    ("p", "expected"),
    [(0.0312, "p = 0.031"), (1.0, "p = 1"), (2e-16, "p = 2e-16"), (0.0, "p below 1e-16")],
)
def test_no_probability_is_said_to_be_nothing(p: float, expected: str) -> None:
    """What arithmetic cannot tell from zero is said to be below what it can."""
    assert expected == p_value(p)


@pytest.mark.parametrize(
    ("document", "where", "expected"),
    [
        ({"net": [1.0, 1e17]}, ("net", "replicates", 1), ("net", 1)),
        ({"stream": "feed"}, ("stream", 0), ("stream",)),
        ({"nodes": ["a"]}, ("nodes", 0, "name"), ("nodes", 0)),
        ({"nodes": []}, ("readings",), ("readings",)),
    ],
)
def test_a_fault_in_a_short_way_of_writing_has_its_place_there(
    document: object, where: Where, expected: Where
) -> None:
    """A list for an object that holds it, one for a list of one, a name for an object."""
    assert expected == locate(document, where)[0]


def test_a_change_has_a_sign() -> None:
    """A change of nothing is not negative."""
    assert ("+0.02", "-3.4", "+0.00") == (
        signed(0.0213, 0.12),
        signed(-3.41, 1.2),
        signed(-0.0001, 0.12),
    )


def test_long_names_are_folded_and_nothing_is_lost() -> None:
    """A name wider than its column goes over several lines."""
    name = "the tailing of the second cleaner after regrinding"

    lines = table([name], [Column("Sn, %", ["1.0 ± 0.1"])])

    assert max(width_of(line) for line in lines) <= 100
    assert name == " ".join(" ".join(lines[1:]).replace("1.0 ± 0.1", "").split())


def test_columns_that_do_not_fit_go_below() -> None:
    """The table stays within a hundred columns whatever the number of components."""
    columns = [Column(f"component {k}", ["12.34 ± 0.56", "1.2 ± 0.1"]) for k in range(20)]

    lines = table(["feed", "product"], columns)

    assert max(width_of(line) for line in lines) <= 100
    assert all(sum(f"component {k}" in line for line in lines) >= 1 for k in range(20))


def test_figures_stand_under_each_other_at_their_sign() -> None:
    """In a column the sign ± is in one place."""
    lines = table(["a", "b"], [Column("x", ["12.34 ± 0.5", "1.2 ± 0.25"])])

    assert lines[1].index("±") == lines[2].index("±")


def test_wide_characters_count_as_two_columns() -> None:
    """East Asian names keep the columns straight."""
    assert (4, 1) == (width_of("精矿"), width_of("e\u0301"))


def test_what_steers_a_terminal_is_written_out() -> None:
    """Control characters are shown as escapes."""
    assert "a\\x1b[0mb\\n" == visible("a\x1b[0mb\n")


@pytest.mark.parametrize(
    ("where", "expected"),
    [((), ""), (("a", 0), "/a/0"), (("a/b", "m~n"), "/a~1b/m~0n"), (("",), "/")],
)
def test_a_path_is_a_json_pointer(where: tuple[str | int, ...], expected: str) -> None:
    """Escapes are those of RFC 6901, section 3."""
    assert expected == pointer(where)


@given(st.recursive(
    st.one_of(
        st.none(), st.booleans(), st.integers(-(2**60), 2**60),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(
            st.text(st.characters(exclude_categories=["Cs"]), max_size=8), inner, max_size=4
        ),
    ),
    max_leaves=12,
))  # fmt: skip
def test_strict_json_is_read_as_any_reader_would(value: object) -> None:
    """What is within the rules comes through unchanged and without a fault."""
    document = strict_json.read(json.dumps(value).encode())

    assert value == document.value
    assert [] == document.faults


_PIECES = (
    *("1", "-0", "1.5", "0.0", "1e400", "1e-400", "123456789012345678901234567890", "NaN", "01"),
    *('"a"', '"é"', '"\\ud800"', '"\\u00e9"', '"a\\":"', '"\t"', "true", "null", "[]", "[1,2]"),
    *('{"a":1,"a":2}', '{"a" :1}', '{"a\\u0062":1,"ab":2}', '{"b":{"b":1}}', '{"\\\\":1}'),
)


@given(
    st.lists(
        st.tuples(st.sampled_from(["a", "b", "c", 'd":', "é"]), st.sampled_from(_PIECES)),
        max_size=4,
    ),
    st.sampled_from([":", " : ", "\n:"]),
)
def test_a_document_is_read_quickly_only_where_nothing_is_wrong(
    members: list[tuple[str, str]], colon: str
) -> None:
    """What the quick reader gives is what the search gives, and the search finds nothing."""
    body = f"{{{','.join(f'{json.dumps(k)}{colon}{v}' for k, v in members)}}}".encode()
    try:
        quick = strict_json._plain(body)
    except ValueError:
        return

    value = strict_json._parsed(body.decode())

    assert repr(value) == repr(quick)
    assert [] == strict_json._Search(value).faults


def test_all_that_is_wrong_is_found_with_its_place() -> None:
    """The reader goes on after a fault and tells each by its pointer."""
    document = strict_json.read(b'{"a": [NaN, 1e999], "b": {"c": 1, "c": -Infinity}, "d": 1e-400}')

    assert {
        ("/a/0", "not-finite"),
        ("/a/1", "number-too-large"),
        ("/b/c", "duplicate-member"),
        ("/b/c", "not-finite"),
        ("/d", "number-too-small"),
    } == {(pointer(fault.where), fault.code) for fault in document.faults}


def test_zero_in_any_writing_is_zero() -> None:
    """Only a number that is not zero can be too small."""
    document = strict_json.read(b"[0e-999, -0.0, 0.000e5, 5e-324]")

    assert [] == document.faults
    assert -1.0 == math.copysign(1.0, document.value[1])


def _threads() -> set[int]:
    return {pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"}


def test_a_calculation_keeps_to_one_thread() -> None:
    """However many threads linear algebra was given, it is left with one."""
    with threadpool_limits(limits=2, user_api="blas"):
        before = _threads()
        use_one_thread_each()
        after = _threads()

    assert 2 in before
    assert {1} == after
