"""The settings as the environment gives them: what each is, and everything wrong with them."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from pydantic import ValidationError

from .settings import Settings

PREFIX = "EVENLODE_"


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting in force: its variable, its value as text, and whether the environment set it."""

    name: str
    value: str
    is_set: bool
    description: str


def settings_of(settings: Settings) -> list[Setting]:
    """Give every setting in the order of its definition; passwords in addresses are hidden."""
    return [
        Setting(
            name=PREFIX + name.upper(),
            value=_shown(getattr(settings, name)),
            is_set=name in settings.model_fields_set,
            description=field.description or "",
        )
        for name, field in Settings.model_fields.items()
    ]


def _shown(value: object) -> str:
    text = str(value).lower() if isinstance(value, bool) else str(value)
    password = urlsplit(text).password if "://" in text else None
    return text.replace(f":{password}@", ":***@") if password else text


def faults_of(environment: Mapping[str, str]) -> list[str]:
    """Give everything wrong with the variables of an environment, a sentence each."""
    return [*_unusable(), *_unknown(environment)]


def _unusable() -> list[str]:
    try:
        Settings()
    except ValidationError as error:
        return [
            f"the environment variable {PREFIX}{'_'.join(map(str, found['loc'])).upper()} is not "
            f"right: {found['msg']}."
            for found in error.errors(include_url=False, include_input=False)
        ]
    return []


def _unknown(environment: Mapping[str, str]) -> list[str]:
    known = [PREFIX + name.upper() for name in Settings.model_fields]
    faults = []
    for name in sorted(environment):
        if name.upper().startswith(PREFIX) and name.upper() not in known:
            near = difflib.get_close_matches(name.upper(), known, n=1)
            advice = f"did you mean {near[0]}?" if near else "'evenlode settings' lists them."
            faults.append(f"the environment variable {name} is none of this program: {advice}")
    return faults
