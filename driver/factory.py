"""Devices that the bench file names as ``package.module:factory``."""

from __future__ import annotations

import difflib
import importlib
import importlib.util
import inspect
import re
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

D = TypeVar("D")
_PATH = re.compile(r"[A-Za-z_]\w*(\.[A-Za-z_]\w*)*:[A-Za-z_]\w*(\.[A-Za-z_]\w*)*")


class FactoryError(ValueError):
    """A device that the bench file names cannot be made; the message says what was found instead."""


def is_factory_path(text: str) -> bool:
    """Say whether ``text`` is written as ``package.module:factory``."""
    return _PATH.fullmatch(text) is not None


def resolve(path: str) -> Callable[..., Any]:
    """Return the factory that ``package.module:factory`` names.

    Raises
    ------
    FactoryError
        When it is not written so, the module is not there or does not load, or has no such callable.
    """
    if not is_factory_path(path):
        raise FactoryError(f"{path!r} is not written as package.module:factory")
    module_name, _, name = path.partition(":")
    found = _import(path, module_name)
    for part in name.split("."):
        if not hasattr(found, part):
            raise FactoryError(f"{path!r}: {module_name} has no {part!r}{_hint(part, _public(found))}")
        found = getattr(found, part)
    if not callable(found):
        raise FactoryError(f"{path!r} is a {type(found).__name__}, not something that can be called")
    factory: Callable[..., Any] = found
    return factory


def make(path: str, options: Mapping[str, Any], protocol: type[D]) -> D:
    """Make a device and see that it fulfils the Protocol of its role.

    Parameters
    ----------
    path : str
        ``package.module:factory``.
    options : mapping
        Keyword arguments of the factory.
    protocol : type
        Runtime-checkable Protocol of :mod:`driver.protocols`.

    Raises
    ------
    FactoryError
        When the factory is not there, does not take these options, refuses one (ValueError), or returns
        something else. A :class:`driver.faults.DeviceFault` of the factory passes through.
    """
    factory = resolve(path)
    _check_options(path, factory, options)
    try:
        device = factory(**options)
    except ValueError as problem:
        raise FactoryError(f"{path!r} refuses its options: {problem}") from problem
    if not isinstance(device, protocol):
        missing = [name for name in _members(protocol) if not hasattr(device, name)]
        raise FactoryError(
            f"{path!r} returned a {type(device).__name__}, which is no {protocol.__name__}: "
            f"it lacks {', '.join(missing)}"
        )
    return device


def _import(path: str, module_name: str) -> Any:
    package = ""
    for part in module_name.split("."):
        name = f"{package}.{part}" if package else part
        try:
            spec = importlib.util.find_spec(name)
        except (ImportError, ValueError) as problem:
            raise FactoryError(f"{path!r}: {package or name} does not load: {problem}") from problem
        if spec is None:
            where = f"in package {package}" if package else "in this environment"
            raise FactoryError(f"{path!r}: no module {name!r} {where}")
        package = name
    try:
        return importlib.import_module(module_name)
    # The module is the user's own: whatever it raises while loading is what has to be said.
    except Exception as problem:
        raise FactoryError(
            f"{path!r}: {module_name} does not load: {type(problem).__name__}: {problem}"
        ) from problem


def _check_options(path: str, factory: Callable[..., Any], options: Mapping[str, Any]) -> None:
    try:
        signature = inspect.signature(factory)
    except (TypeError, ValueError):
        # Some compiled callables have no signature; they will say themselves what they miss.
        return
    parameters = {
        name: parameter
        for name, parameter in signature.parameters.items()
        if parameter.kind in (parameter.KEYWORD_ONLY, parameter.POSITIONAL_OR_KEYWORD)
    }
    takes_any = any(parameter.kind is parameter.VAR_KEYWORD for parameter in signature.parameters.values())
    for name in options:
        if name not in parameters and not takes_any:
            raise FactoryError(f"{path!r} takes no option {name!r}{_hint(name, list(parameters))}")
    missing = [
        name
        for name, parameter in parameters.items()
        if parameter.default is parameter.empty and name not in options
    ]
    if missing:
        raise FactoryError(f"{path!r} needs the option {missing[0]!r}; given: {', '.join(options) or 'none'}")


def _hint(name: str, choices: list[str]) -> str:
    near = difflib.get_close_matches(name, choices, n=1)
    nearest = f"; nearest: {near[0]!r}" if near else ""
    return f"{nearest}; there are: {', '.join(choices) or 'none'}"


def _public(owner: Any) -> list[str]:
    return [name for name in dir(owner) if not name.startswith("_") and callable(getattr(owner, name, None))]


def _members(protocol: type) -> list[str]:
    return sorted(name for name in dir(protocol) if not name.startswith("_"))
