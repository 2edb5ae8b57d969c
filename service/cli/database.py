"""The database as commands open it; what stands in the way is told as bad input."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from .terminal import settings_in_force, stop

if TYPE_CHECKING:
    from service.kit.settings import Settings
    from service.store import Store


def store_in(settings: Settings, *, migrate_shared: bool) -> Store:
    """Give the database that is set, ready for use."""
    from service.kit.problems import RefusalError
    from service.store import Store
    from service.store.engine import UnusableUrlError, database_url
    from service.store.prepare import NotMigratedError, prepare

    try:
        url = database_url(settings.database_url)
        store = Store(url, settings.database_connections, settings.database_wait_s)
        prepare(store, migrate_shared=migrate_shared)
    except UnusableUrlError as error:
        stop(f"EVENLODE_DATABASE_URL is not right: {error}.")
    except NotMigratedError as error:
        stop(f"{error}.")
    except (RefusalError, OSError) as error:
        place = url.render_as_string(hide_password=True)
        stop(f"the database {place} cannot be used: {_cause(error)}")
    return store


@contextmanager
def opened(settings: Settings) -> Iterator[Store]:
    """Give the database for a while; what cannot be done with a key is told as bad input."""
    from service.access.service import UnusableKeyError

    store = store_in(settings, migrate_shared=False)
    try:
        yield store
    except UnusableKeyError as error:
        stop(f"{error}.")
    finally:
        store.close()


@contextmanager
def kept() -> Iterator[tuple[Store, Settings]]:
    """Give the database for a while; what is not there is told as bad input."""
    from service.kit.problems import RefusalError, as_lines
    from service.kit.threads import use_one_thread_each

    settings = settings_in_force()
    use_one_thread_each()
    with opened(settings) as store:
        try:
            yield store, settings
        except RefusalError as refusal:
            stop(" ".join(as_lines(refusal.problem)))


@contextmanager
def copying() -> Iterator[Store]:
    """Give the database that is set, however it stands; what cannot be copied is told."""
    from service.kit.problems import RefusalError
    from service.store import Store
    from service.store.backup import CopyRefusedError
    from service.store.engine import UnusableUrlError, database_url

    try:
        store = Store(database_url(settings_in_force().database_url))
        yield store
    except UnusableUrlError as error:
        stop(f"EVENLODE_DATABASE_URL is not right: {error}.")
    except CopyRefusedError as error:
        stop(f"{error}.")
    except (RefusalError, OSError) as error:
        stop(f"the database cannot be used: {_cause(error)}.")
    store.close()


def _cause(error: BaseException) -> str:
    """Give what a database or the file system said, on one line."""
    cause = error.__cause__ or error
    return " ".join(str(getattr(cause, "orig", None) or cause).split())
