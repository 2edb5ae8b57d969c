"""
Who is on this machine, and who only seems to be.

A caller on this machine needs no key as long as none was ever made.  What comes through a proxy on
this machine also seems to come from it, and so does what a page of the web lets a browser send.
So a request counts as local only if both ends of its connection are on this machine, it names this
machine as its host, no header says that it was passed on, and no page of elsewhere sent it.  What a
header says is never a reason to trust, only one to doubt.
"""

from __future__ import annotations

from functools import lru_cache
from ipaddress import IPv6Address, ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.types import Scope

PASSED_ON = ("forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-real-ip")
"""Headers by which proxies say that they passed a request on."""


_HOSTS_KEPT = 256
"""Hosts of which it is kept what they are: the same few ask all day."""


@lru_cache(maxsize=_HOSTS_KEPT)
def is_loopback(host: str) -> bool:
    """Say whether an address, or the name of a host, is of this machine alone."""
    if host.lower().rstrip(".") == "localhost":
        return True
    try:
        address = ip_address(host.strip("[]"))
    except ValueError:
        return False
    if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return address.is_loopback


def is_local(scope: Scope) -> bool:
    """Say whether a request comes from this machine, without doubt."""
    headers = Headers(scope=scope)
    client, server = scope.get("client"), scope.get("server")
    hosts = headers.getlist("host")
    return (
        client is not None
        and server is not None
        and is_loopback(client[0])
        and is_loopback(server[0])
        and len(hosts) == 1
        and is_loopback(_host(f"//{hosts[0]}"))
        and not any(name in headers for name in PASSED_ON)
        and all(is_loopback(_host(origin)) for origin in headers.getlist("origin"))
    )


@lru_cache(maxsize=_HOSTS_KEPT)
def _host(address: str) -> str:
    try:
        return urlsplit(address).hostname or ""
    except ValueError:
        return ""
