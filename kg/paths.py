"""Where the project's own files and the built database are."""

from __future__ import annotations

import os

_HERE = os.path.dirname(os.path.abspath(__file__))


def resource(*parts: str) -> str:
    """Return the path of a file shipped with the project.

    In a checkout the folders ``ontology``, ``queries`` and ``build`` stand beside ``kg``; in an
    installed wheel they lie inside it.
    """
    inside = os.path.join(_HERE, "shipped", *parts)
    if os.path.exists(inside):
        return inside
    return os.path.join(os.path.dirname(_HERE), *parts)


def data_folder() -> str:
    """Return the folder for built files: ``$TUBELORE_HOME`` or the user's data folder.

    Follows the XDG base directory specification; spelt out here because a question must not wait
    for an import only to learn one path.
    """
    home = os.environ.get("TUBELORE_HOME")
    if home:
        return home
    base = os.environ.get("XDG_DATA_HOME") or os.path.join(os.path.expanduser("~"), ".local", "share")
    return os.path.join(base, "tubelore")


def database_path() -> str:
    """Return the default place of the built database, which every command uses."""
    return os.path.join(data_folder(), "tubelore.sqlite")
