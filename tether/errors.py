"""The errors that reach a person: what happened, what was kept, what to do next."""

from __future__ import annotations


class TetherError(Exception):
    """A failure with a sentence for the person at the bench.

    Parameters
    ----------
    what
        What happened, one plain sentence.
    kept
        What is safe in spite of it ("" when nothing was at stake).
    todo
        What to do next ("" when there is nothing to do).
    """

    def __init__(self, what: str, *, kept: str = "", todo: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.kept = kept
        self.todo = todo

    def __str__(self) -> str:
        """Return all the sentences, in the order in which a person needs them."""
        return " ".join(part for part in (self.what, self.kept, self.todo) if part)

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle with the keyword fields, so that an error can cross a process border."""
        return (_rebuild, (type(self), self.what, self.kept, self.todo, self.__dict__))


class NotNow(TetherError):
    """The action does not fit the place where the work stands; nothing was changed."""


def _rebuild(
    kind: type[TetherError], what: str, kept: str, todo: str, extra: dict[str, object]
) -> TetherError:
    error = kind.__new__(kind)
    Exception.__init__(error, what)
    error.what, error.kept, error.todo = what, kept, todo
    error.__dict__.update(extra)
    return error
