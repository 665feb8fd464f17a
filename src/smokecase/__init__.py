"""smokecase: from a clip of a smoking exhaust to measured smoke and weighted causes."""

from importlib import import_module
from typing import Any

# public name: the room it lives in; loaded on first use, so that importing smokecase stays quick
_ROOMS = {
    "examine": "smokecase.examination",
    "diagnose": "smokecase.diagnosis",
    "Examination": "smokecase.readings",
    "Diagnosis": "smokecase.diagnosis",
    "Measured": "smokecase.measured",
    "Doubt": "smokecase.doubts",
    "SmokecaseError": "smokecase.errors",
    "Cancelled": "smokecase.errors",
}

__version__ = "0.1.0"
__all__ = sorted(_ROOMS)


def __getattr__(name: str) -> Any:
    if name not in _ROOMS:
        msg = f"module 'smokecase' has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(_ROOMS[name]), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
