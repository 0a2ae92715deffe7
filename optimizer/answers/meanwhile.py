"""Long questions about a study that its helper answers, while this process answers others.

A helper is told what is known when it is asked, and so is this process where it takes up a question that was meant for
the helper: what is found does not depend on which of them found it.
"""

from __future__ import annotations

import pickle
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache, partial
from typing import Any, Protocol, TypeVar

from optimizer.answers.unknowns import salt_asked_about
from optimizer.search.memory import Memory
from optimizer.search.sharing import Begun
from optimizer.search.state import Progress
from optimizer.search.study import Study

Found_co = TypeVar("Found_co", covariant=True)


class Question(Protocol[Found_co]):
    """Finds something out, with what a study knows and any arguments; a function of a module."""

    def __call__(self, study: Study, progress: Progress | None, /, *arguments: Any) -> Found_co:
        """Find it out."""
        ...


def begin(
    study: Study, progress: Progress | None, question: Question[Found_co], *arguments: Any
) -> Begun[Found_co]:
    """Have a helper find something out from now on; where there is none, it is found when it is asked for."""
    here = partial(question, study, progress, *arguments)
    if study.helper is None:
        return Begun(None, here)
    return study.helper.begin(_elsewhere, *_packed(study), question, *arguments)


def begin_apart(
    study: Study, progress: Progress | None, question: Question[Found_co], *arguments: Any
) -> Begun[Found_co]:
    """The same for what may hang on what is known: where there is no helper, too, that is what is known now."""
    scenario, salt, memory = _packed(study)
    if study.helper is not None:
        return study.helper.begin(_elsewhere, scenario, salt, memory, question, *arguments)
    return Begun(None, partial(_knowing, memory, study, progress, question, *arguments))


def begin_after(
    before: Begun[Any], study: Study, progress: Progress | None, question: Question[Found_co], *arguments: Any
) -> Callable[[], Found_co]:
    """Have it found out by a helper when that is done with something else; or here, if it is asked for before."""
    if study.helper is None:
        return partial(question, study, progress, *arguments)
    scenario, salt, memory = _packed(study)
    here = partial(_knowing, memory, study, progress, question, *arguments)
    return study.helper.begin_after(before, here, _elsewhere, scenario, salt, memory, question, *arguments)


def _packed(study: Study) -> tuple[bytes, str, bytes]:
    """Scenario, salt and what is known now: it may be sent only when more is, half of it written down."""
    return pickle.dumps(study.scenario), salt_asked_about(study.judge), pickle.dumps(study.memory)


def _knowing(
    memory: bytes, study: Study, progress: Progress | None, question: Question[Found_co], *arguments: Any
) -> Found_co:
    """Find something out with what was known when it was sent."""
    known: Memory = pickle.loads(memory)  # noqa: S301 - made by this program a moment ago
    return question(replace(study, memory=known), progress, *arguments)


@lru_cache(maxsize=1)
def _study_of(scenario: bytes, salt: str) -> Study:
    """A worker's own study, kept from one thing it is asked to the next."""
    return Study.of(pickle.loads(scenario), salt)  # noqa: S301 - as above


def _elsewhere(scenario: bytes, salt: str, memory: bytes, question: Question[Any], *arguments: Any) -> Any:
    """Find something out about a scenario; called in a worker."""
    return _knowing(memory, _study_of(scenario, salt), None, question, *arguments)
