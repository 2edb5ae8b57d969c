"""Which scope each operation needs: the one place that says so."""

from __future__ import annotations

from service.kit.caller import Scope

PUBLIC = frozenset({"index", "live", "ready", "problem_page", "docs"})
"""Operations that anyone may use; they tell nothing of any site."""

OF_THE_WHOLE = frozenset({"metrics"})
"""Operations that tell of all sites together, which a key of one site does not open."""

NEEDED: dict[str, Scope] = {
    "metrics": Scope.READ,
    "reconcile_balance": Scope.READ,
    "reconcile_test": Scope.READ,
    "look_for_drift": Scope.READ,
    "plan_sampling": Scope.READ,
    "get_blank_test_sheet": Scope.READ,
    "list_sites": Scope.READ,
    "get_site": Scope.READ,
    "put_site": Scope.ADMINISTER,
    "list_flowsheets": Scope.READ,
    "get_flowsheet": Scope.READ,
    "list_flowsheet_versions": Scope.READ,
    "get_flowsheet_version": Scope.READ,
    "put_flowsheet": Scope.ADMINISTER,
    "get_calendar": Scope.READ,
    "list_calendar_versions": Scope.READ,
    "get_calendar_version": Scope.READ,
    "list_shifts": Scope.READ,
    "put_calendar": Scope.ADMINISTER,
    "get_mapping": Scope.READ,
    "list_mapping_versions": Scope.READ,
    "get_mapping_version": Scope.READ,
    "put_mapping": Scope.ADMINISTER,
    "post_readings": Scope.POST,
    "list_readings": Scope.READ,
    "get_reading": Scope.READ,
    "list_parked_tags": Scope.READ,
    "list_balances": Scope.READ,
    "list_reconciled_readings": Scope.READ,
    "find_disagreements": Scope.READ,
    "get_shift_balance": Scope.READ,
    "calculate_shift_balance": Scope.POST,
    "list_balance_revisions": Scope.READ,
    "get_balance_revision": Scope.READ,
    "get_balance_record": Scope.READ,
    "compare_balance_revisions": Scope.READ,
    "sign_balance": Scope.SIGN,
    "unlock_balance": Scope.SIGN,
    "decide_on_reading": Scope.SIGN,
    "list_trail": Scope.READ,
    "keep_test": Scope.POST,
    "correct_test": Scope.POST,
    "list_tests": Scope.READ,
    "get_test": Scope.READ,
    "get_test_sheet": Scope.READ,
    "list_test_revisions": Scope.READ,
    "get_test_revision": Scope.READ,
    "get_test_revision_sheet": Scope.READ,
    "get_test_record": Scope.READ,
    "compare_test_revisions": Scope.READ,
}
"""The scope that each other operation needs, by the name of the operation."""


def scope_of(operation: str) -> Scope | None:
    """
    Give the scope that an operation needs; None where anyone may use it.

    Raises
    ------
    LookupError
        for an operation that is not listed here.
    """
    if operation in PUBLIC:
        return None
    if operation not in NEEDED:
        raise LookupError(f"operation '{operation}' has no scope; name one in {__name__}")
    return NEEDED[operation]
