"""Replies as they are sent: written once, and looked through for numbers that JSON cannot carry."""

from __future__ import annotations

import math
from typing import Any, TypeVar

import orjson
from pydantic import BaseModel, ConfigDict, Field

from .problems import NOT_CONVERGED, RefusalError, problem_of

OUT_OF_RANGE = (
    "The calculation ran out of the range of numbers. Look for values or standard deviations that "
    "differ from the rest by many orders."
)

_Reply = TypeVar("_Reply", bound="Out")

_NOT_FINITE = (b"NaN", b"Infinity")

Members = dict[str, Any]
"""
Members of an object of a reply by their names on the wire, in the order of its model.

A reply of many parts is made and written as such; its model is the contract, to which tests hold
the members.
"""

Written = orjson.Fragment
"""A part of a reply that was written before, and is put in as it stands."""


class Out(BaseModel):
    """An object of a reply; members that cannot be known are null, never absent."""

    # A number that is none shows in what was written, where it is found; it would pass as a null.
    # What is on the wire is read as well as what is here: both know a member by its name.
    model_config = ConfigDict(
        frozen=True, ser_json_inf_nan="constants", validate_by_name=True, validate_by_alias=True
    )


class Titled(Out):
    """A reply to a request with words of the caller's own, which come back."""

    title: str | None = Field(
        description="The title of the request.", examples=["One magnetic stage"]
    )
    note: str | None = Field(description="The note of the request.", examples=["Invented data."])


def as_json(reply: Out, indent: int | None = None) -> str:
    """Write a reply as JSON: members by their wire names, numbers shortest round trip."""
    return reply.model_dump_json(by_alias=True, indent=indent)


def as_bytes(reply: Out) -> bytes:
    """
    Write a reply as it is sent.

    Raises
    ------
    RefusalError
        where it holds a number that JSON cannot carry.
    """
    text = reply.__pydantic_serializer__.to_json(reply, by_alias=True)
    # Names may hold these words too; only then is every number looked at.
    if any(word in text for word in _NOT_FINITE) and not _is_finite(reply):
        raise refuse_doubtful(OUT_OF_RANGE)
    return text


def written_once(members: Members) -> Written:
    """Write an object of many replies, in which there are no numbers."""
    return orjson.Fragment(orjson.dumps(members))


def members_of(reply: Out) -> Members:
    """Give the members of a reply."""
    return reply.model_dump(by_alias=True)


def members_as_bytes(members: Members | list[Members] | None) -> bytes:
    """
    Write members of a reply as :func:`as_bytes` writes the reply.

    Every number is looked at, but for those of parts that were written before.

    Raises
    ------
    RefusalError
        as :func:`as_bytes`.
    """
    if not _is_finite(members):
        raise refuse_doubtful(OUT_OF_RANGE)
    return orjson.dumps(members, option=orjson.OPT_SERIALIZE_NUMPY)


def sound(reply: _Reply) -> _Reply:
    """
    Give a reply of which something else than JSON is to be made.

    Raises
    ------
    RefusalError
        as :func:`as_bytes`.
    """
    as_bytes(reply)
    return reply


def refuse_doubtful(reason: str) -> RefusalError:
    """Give the refusal of a reply that must not be sent, since it is no solution."""
    told = {"outcome": "not converged", "nodes": [], "reason": reason}
    problem = problem_of(NOT_CONVERGED, reason).model_copy(update=told)
    return RefusalError(NOT_CONVERGED, problem)


def _is_finite(value: object) -> bool:
    """Tell whether every number of a reply, or of a part of it, is one that JSON can carry."""
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, BaseModel):
        return all(map(_is_finite, value.__dict__.values()))
    if isinstance(value, dict):
        return all(map(_is_finite, value.values()))
    return all(map(_is_finite, value)) if isinstance(value, list | tuple) else True
