"""What can go wrong, as exceptions with a stable ``code``; the core raises them by that code."""

from typing import ClassVar

__all__ = [
    "BY_CODE",
    "Cancelled",
    "ConfigError",
    "Error",
    "FileError",
    "FormatError",
    "InternalError",
    "LimitError",
    "MeshError",
    "MissingFileError",
    "NotSolidError",
    "OptionError",
    "PassError",
    "StructureError",
    "said",
]


class Error(Exception):
    """No result exists; the message names the place, what is wrong and what to do."""

    code: ClassVar[str] = "error"
    remedy: str = ""
    """What to do, as the message ends; empty where the message alone says it."""


class FileError(Error, OSError):
    """The operating system refused a read or a write; ``filename`` and ``errno`` are set."""

    code = "io"


class MissingFileError(FileError, FileNotFoundError):
    """The file does not exist."""


class FormatError(Error, ValueError):
    """A file does not hold what its format promises."""

    code = "format"


class MeshError(Error, ValueError):
    """A mesh breaks a rule that its type promises."""

    code = "mesh"


class NotSolidError(Error, ValueError):
    """A mesh does not enclose a volume and so cannot be printed as it is."""

    code = "not_solid"


class OptionError(Error, ValueError):
    """A number or word given by the user is out of its range."""

    code = "value"


class ConfigError(Error, ValueError):
    """A recipe or setup cannot be read."""

    code = "config"


class LimitError(Error):
    """Doing it would need more than a stated bound."""

    code = "limit"


class PassError(Error, ValueError):
    """A pass cannot work on what it was given."""

    code = "pass"


class StructureError(Error, ValueError):
    """Supports that cannot carry their load: nothing holds them, or a piece is loose."""

    code = "structure"


class Cancelled(Error):
    """The work around this work was stopped."""

    code = "cancelled"


class InternalError(Exception):
    """A defect of vatwright itself; please report it with the message."""


BY_CODE: dict[str, type[Error]] = {
    kind.code: kind
    for kind in (
        FileError,
        FormatError,
        MeshError,
        NotSolidError,
        OptionError,
        ConfigError,
        LimitError,
        PassError,
        StructureError,
        Cancelled,
    )
}


def said(error: BaseException) -> tuple[str, str, str]:
    """Code, message and remedy of an error, for a record of it."""
    if isinstance(error, OSError) and error.filename is not None:
        remedy = error.remedy if isinstance(error, Error) else ""
        return FileError.code, f"{error.filename}: {error.strerror}", remedy
    if isinstance(error, Error):
        return error.code, str(error).removesuffix(f"; {error.remedy}"), error.remedy
    code = "io" if isinstance(error, OSError) else type(error).__name__
    return code, str(error) or type(error).__name__, ""
