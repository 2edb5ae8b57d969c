"""
The database: one SQLite file that needs no set-up, or PostgreSQL by a URL.

Everything above speaks to it through :class:`Store`: a reading or a writing transaction, and the
tables of :mod:`service.store.tables`.
"""

from .store import Store

__all__ = ["Store"]
