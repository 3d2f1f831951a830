"""What every layer raises for input that can't be used."""

from __future__ import annotations

from pathlib import Path


class BadInput(ValueError):  # noqa: N818 - it names what the person handed in
    """Input that can't be used: which file, where in it, what is wrong, what would be right."""

    def __init__(self, file: Path | str, where: str, wrong: str, right: str) -> None:
        super().__init__(f"{file}: {where}: {wrong}; {right}")
        self.file = str(file)
        self.where = where
        self.wrong = wrong
        self.right = right

    def __reduce__(self) -> tuple[type[BadInput], tuple[str, ...]]:
        """So that it comes whole out of another process."""
        return type(self), (self.file, self.where, self.wrong, self.right)


class MissingExtra(ImportError):  # noqa: N818 - it names what is missing
    """A package that one command alone needs, and that is installed as an extra."""

    def __init__(self, package: str, extra: str) -> None:
        super().__init__(
            f"the package {package} is not installed: pip install 'borewarden[{extra}]'"
        )


class LogNote(UserWarning):
    """Something about a file that was read, which whoever gave it should know."""
