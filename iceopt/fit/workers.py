"""Chains side by side: a share of them in this process, the others in copies of it.

A forked process has all that this one has, so nothing need be sent to it. It must not run kernels with
threads of their own, which do not live on in it.
"""

import multiprocessing
import os
import sys
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection
from typing import TypeVar

import numpy as np

Found = TypeVar("Found")

_CAN_FORK = sys.platform == "linux"


def side_by_side(work: Callable[[int], Found], many: int, processes: int) -> list[Found]:
    """Results of work(0) to work(many - 1), in order, whatever the number of processes.

    Parameters
    ----------
    work : callable
        Changes nothing but itself, and runs no threads.
    many : int
    processes : int
        At most; one where the system does not copy processes safely.

    Raises
    ------
    Exception
        What `work` raised.
    RuntimeError
        If a process died.
    """
    shares = np.array_split(np.arange(many), max(min(processes if _CAN_FORK else 1, many), 1))
    context = multiprocessing.get_context("fork" if _CAN_FORK else None)
    begun = []
    for share in shares[1:]:
        receiver, sender = context.Pipe(duplex=False)
        process = context.Process(target=_work_and_send, args=(work, share, sender), daemon=True)
        process.start()
        sender.close()
        begun.append((process, receiver))
    try:
        found = [work(int(i)) for i in shares[0]]
        for process, receiver in begun:
            found += _received(receiver)
            process.join()
    finally:
        for process, _ in begun:
            process.kill()
    return found


def _received(receiver: Connection) -> list:
    try:
        answer = receiver.recv()
    except EOFError as error:
        raise RuntimeError("a process that sampled some of the chains died") from error
    if isinstance(answer, BaseException):
        raise answer
    return list(answer)


def _work_and_send(work: Callable[[int], Found], share: Sequence[int], sender: Connection) -> None:
    """Work on a share, and end without the cleaning up that is for the process it was copied from."""
    try:
        answer: list[Found] | Exception = [work(int(i)) for i in share]
    except Exception as error:
        answer = error
    try:
        sender.send(answer)
        sender.close()
    finally:
        os._exit(0)
