"""The chains of one fit that ran as tasks of their own, merged once all are there."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby

from iceopt.batch.plan import Plan, Task
from iceopt.batch.state import Status
from iceopt.errors import InputError
from iceopt.files import NameHeld, held
from iceopt.result.checksum import ATTRIBUTE
from iceopt.result.merge import content_of, merge_results
from iceopt.result.read import Result


def with_merged(plan: Plan, found: Sequence[Status]) -> list[Status]:
    """Where every fit stands, the tasks of one fit taken together once all of them are done.

    Their merged result is written if it is not there, or is of other pieces.

    Parameters
    ----------
    plan : Plan
    found : sequence of Status
        Of all tasks of the plan, in its order.

    Returns
    -------
    list of Status
        Of each merged fit, named as its result; of every other task.
    """
    statuses = []
    for group, members in groupby(found, key=lambda status: status.task.group):
        pieces = list(members)
        if group and all(piece.word == "done" for piece in pieces):
            statuses.append(_merged(plan, replace(pieces[0].task, name=group), [p.task for p in pieces]))
        else:
            statuses += pieces
    return statuses


def _merged(plan: Plan, whole: Task, tasks: Sequence[Task]) -> Status:
    path, pieces = plan.result(whole), [plan.result(task) for task in tasks]
    wanted = [content_of(piece) for piece in pieces]
    try:
        with held(path):
            if _content_of_pieces(plan, whole) != wanted:
                merge_results(pieces, path, ["iceopt", "merge", *map(str, pieces), "--output", str(path)])
        with Result(path) as result:
            converged = result.converged
    except NameHeld:
        return Status(whole, "running", "another process is merging its chains", False)
    except InputError as error:
        return Status(whole, "failed", str(error), False)
    return Status(whole, "done", "" if converged else "did not converge", False, converged)


def _content_of_pieces(plan: Plan, whole: Task) -> list[str]:
    """Checksums of the pieces of a merged result; empty if there is none that is whole."""
    try:
        with Result(plan.result(whole)) as result:
            result.verify()
            return [piece[ATTRIBUTE] for piece in result.attribute("pieces")]
    except InputError:
        return []
