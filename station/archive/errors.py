"""What can go wrong with the archive, told as what was asked, what was found and what helps."""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum
from types import MappingProxyType

from sqlalchemy.exc import DBAPIError


class Problem(Enum):
    """One code per cause; the value is the name that logs and alarms carry."""

    # The database itself
    NEWER = "database_newer_than_program"
    OLDER = "database_older_than_program"
    NOT_OURS = "not_an_archive"
    READ_ONLY = "database_read_only"
    LOCKED = "database_locked"
    FULL = "disk_full"
    CORRUPT = "database_corrupt"
    STORAGE = "storage_failed"
    UNREACHABLE = "database_unreachable"
    NO_DRIVER = "database_driver_missing"
    NOT_ALLOWED = "database_access_refused"
    OTHER = "database_error"
    # What was asked of it
    BAD_VALUE = "bad_value"
    UNKNOWN = "unknown_name"
    DUPLICATE = "duplicate"
    NOT_RELEASED = "recipe_not_released"
    EXPIRED = "calibration_expired"
    IN_HAND = "part_in_hand"
    NOT_IN_HAND = "part_not_in_hand"
    FINISHED = "part_already_finished"
    UNVERIFIED = "not_verified"
    CONTRADICTION = "against_the_rules_of_the_archive"


REMEDIES: Mapping[Problem, str] = MappingProxyType(
    {
        Problem.NEWER: "run the newer program that made it, or restore the copy from before its upgrade",
        Problem.OLDER: "upgrade it (every station that shares it has to run this program version then)",
        Problem.NOT_OURS: "name another file or database; this one was left as it is",
        Problem.READ_ONLY: "give this account the right to write to the file and its folder, or remount the "
        "disk for writing (a disk goes read-only after errors: look at the system log)",
        Problem.LOCKED: "end the program that holds the database (a viewer, a backup), then try again",
        Problem.FULL: "free space on the disk, then resume; what was written before is complete",
        Problem.CORRUPT: "stop, copy the file and its -journal or -wal aside unchanged, check the disk, then "
        "restore the last backup; nothing was changed by this program",
        Problem.STORAGE: "check disk, cable and file system, then open the archive again and resume; whether "
        "the last write was kept is settled when it is opened",
        Problem.UNREACHABLE: "check that the database server runs and that the network to it works",
        Problem.NO_DRIVER: "install the program with its `postgres` extra",
        Problem.NOT_ALLOWED: "check user name, password and rights in the database",
        Problem.OTHER: "keep this message and report it; the write that failed left nothing behind",
        Problem.BAD_VALUE: "correct the value",
        Problem.UNKNOWN: "check the spelling",
        Problem.DUPLICATE: "use another name, or go on with the one that is there",
        Problem.NOT_RELEASED: "have the recipe released, or tell the run that it may use an unreleased one",
        Problem.EXPIRED: "make the calibration anew",
        Problem.IN_HAND: "resume the part in hand first",
        Problem.NOT_IN_HAND: "ask which parts are in hand, and resume from there",
        Problem.FINISHED: "leave the record as it is; measure the part again in another lot if need be",
        Problem.UNVERIFIED: "look again after the last move and judge again",
        Problem.CONTRADICTION: "write a new record instead of changing or removing one",
    }
)
"""What a person can do about each cause, where the error does not say it better."""


class ArchiveError(Exception):
    """The archive could not do what was asked; whatever was in it before is still in it.

    Parameters
    ----------
    problem : Problem
        The cause.
    where : str
        The database, without a password.
    asked, found : str
        What was asked, and what stood in the way.
    remedy : str, optional
        What a person can do; by default the one of ``REMEDIES``.
    """

    def __init__(
        self, problem: Problem, *, where: str, asked: str, found: str, remedy: str | None = None
    ) -> None:
        self.problem = problem
        self.where = where
        self.asked = asked
        self.found = found
        self.remedy = REMEDIES[problem] if remedy is None else remedy
        super().__init__(f"{problem.value}: {asked} in {where}: {found}. Remedy: {self.remedy}")


class Refused(ArchiveError):  # noqa: N818  the archive works; what was asked is against its rules
    """Nothing is wrong with the database; what was asked of it is against the rules."""


_SQLITE = (
    ("SQLITE_FULL", Problem.FULL),
    ("SQLITE_READONLY", Problem.READ_ONLY),
    ("SQLITE_BUSY", Problem.LOCKED),
    ("SQLITE_LOCKED", Problem.LOCKED),
    ("SQLITE_CORRUPT", Problem.CORRUPT),
    ("SQLITE_NOTADB", Problem.NOT_OURS),
    ("SQLITE_IOERR", Problem.STORAGE),
    ("SQLITE_CANTOPEN", Problem.STORAGE),
    ("SQLITE_PERM", Problem.NOT_ALLOWED),
    ("SQLITE_AUTH", Problem.NOT_ALLOWED),
    ("SQLITE_CONSTRAINT", Problem.CONTRADICTION),
)
# Appendix A of the PostgreSQL manual: class (two characters) or whole code.
_POSTGRESQL = (
    ("53100", Problem.FULL),
    ("25006", Problem.READ_ONLY),
    ("55P03", Problem.LOCKED),
    ("40001", Problem.LOCKED),
    ("40P01", Problem.LOCKED),
    ("XX001", Problem.CORRUPT),
    ("XX002", Problem.CORRUPT),
    ("58030", Problem.STORAGE),
    ("42501", Problem.NOT_ALLOWED),
    ("P0001", Problem.CONTRADICTION),
    ("23", Problem.CONTRADICTION),
    ("28", Problem.NOT_ALLOWED),
    ("3D", Problem.NOT_ALLOWED),
    ("08", Problem.UNREACHABLE),
    ("53", Problem.UNREACHABLE),
    ("57", Problem.UNREACHABLE),
    ("25P03", Problem.UNREACHABLE),
)


def problem_of(error: DBAPIError) -> Problem:
    """Return the cause that a database error stands for."""
    name = getattr(error.orig, "sqlite_errorname", None)
    if name is not None:
        return _first(_SQLITE, name)
    state = getattr(error.orig, "sqlstate", None)
    if state is not None:
        return _first(_POSTGRESQL, state)
    if error.connection_invalidated or type(error.orig).__name__ in {"OperationalError", "InterfaceError"}:
        # psycopg gives a lost or refused connection no code of its own.
        return Problem.UNREACHABLE
    return Problem.OTHER


def _first(table: tuple[tuple[str, Problem], ...], code: str) -> Problem:
    return next((problem for prefix, problem in table if code.startswith(prefix)), Problem.OTHER)


def told(error: DBAPIError, where: str, asked: str) -> ArchiveError:
    """Return a database error in plain words."""
    problem = problem_of(error)
    code = getattr(error.orig, "sqlite_errorname", None) or getattr(error.orig, "sqlstate", None) or ""
    words = " ".join(str(error.orig).split())
    found = f"{words} ({code})" if code else words
    kind = Refused if problem is Problem.CONTRADICTION else ArchiveError
    return kind(problem, where=where, asked=asked, found=found)
