"""Reads the marks punched into animals' ears and says how sure it is.

>>> import legibility
>>> result = legibility.read("ear.jpg", registry="herd.csv")    # doctest: +SKIP
>>> result.text, result.identification.candidates[0]            # doctest: +SKIP

Everything here is loaded when it is first used, so that importing the package takes no time.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from legibility.api import check as check
    from legibility.api import enhance as enhance
    from legibility.api import read as read
    from legibility.api import read_together as read_together
    from legibility.containers import Candidate as Candidate
    from legibility.containers import CaptureCheck as CaptureCheck
    from legibility.containers import Decision as Decision
    from legibility.containers import Enhanced as Enhanced
    from legibility.containers import EyeReading as EyeReading
    from legibility.containers import Flag as Flag
    from legibility.containers import Grade as Grade
    from legibility.containers import Identification as Identification
    from legibility.containers import Known as Known
    from legibility.containers import PhotoResult as PhotoResult
    from legibility.containers import Reading as Reading
    from legibility.containers import SessionResult as SessionResult
    from legibility.containers import Stage as Stage
    from legibility.containers import Status as Status
    from legibility.errors import LegibilityError as LegibilityError
    from legibility.errors import PhotoError as PhotoError
    from legibility.errors import RegistryError as RegistryError
    from legibility.errors import SettingsError as SettingsError
    from legibility.identify.registry import Registry as Registry
    from legibility.identify.registry import check_registry as check_registry
    from legibility.identify.registry import load_registry as load_registry
    from legibility.identify.rules import load_rules as load_rules
    from legibility.settings import Settings as Settings
    from legibility.settings import load_settings as load_settings

__version__ = "0.1.0"

_HOME: Final = {
    "check": "api",
    "enhance": "api",
    "read": "api",
    "read_together": "api",
    "Candidate": "containers",
    "CaptureCheck": "containers",
    "Decision": "containers",
    "Enhanced": "containers",
    "EyeReading": "containers",
    "Flag": "containers",
    "Grade": "containers",
    "Identification": "containers",
    "Known": "containers",
    "PhotoResult": "containers",
    "Reading": "containers",
    "SessionResult": "containers",
    "Stage": "containers",
    "Status": "containers",
    "LegibilityError": "errors",
    "PhotoError": "errors",
    "RegistryError": "errors",
    "SettingsError": "errors",
    "Registry": "identify.registry",
    "check_registry": "identify.registry",
    "load_registry": "identify.registry",
    "load_rules": "identify.rules",
    "Settings": "settings",
    "load_settings": "settings",
}
"""Public name -> the module it lives in."""

__all__ = ["__version__", *sorted(_HOME)]


def __getattr__(name: str) -> Any:
    """A public name, loaded when it is first used (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Package(ModuleType):
    """Keeps ``legibility.read`` and ``legibility.enhance`` the functions of these names.

    Python sets a subpackage as an attribute of its package when it is first imported, which would
    hide the functions. The subpackages stay importable by ``from legibility.read import ...``.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if name in _HOME and isinstance(value, ModuleType):
            return
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package

if "--multiprocessing-fork" in sys.orig_argv:
    import_module("legibility.workers").end_with_parent()
