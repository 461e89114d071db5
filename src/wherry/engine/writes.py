"""From encoded values to write requests.

A template stands for one request of the layout. While every value is fit to be put, its bytes are filled in and that is
all. When some are not, what remains is written in the fewest runs that leave the others' places alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from wherry.engine.line import Job, NotSent
from wherry.packing.layout import STATUS, WriteRequest
from wherry.plan.model import Controller, Table, Transfer
from wherry.protocol.pdu import (
    MaskWriteRegister,
    Request,
    WriteMultipleCoils,
    WriteMultipleRegisters,
    WriteSingleCoil,
    WriteSingleRegister,
)
from wherry.protocol.session import Outcome, Prepared, prepare
from wherry.timing.order import rank_of

Done = Callable[[Outcome | NotSent], None]

_Part = tuple[int, int, int]
"""Position in the transfer's values (or STATUS), offset from the start of the request, items."""


class StatusWords(NamedTuple):
    """The content of the status registers; the age is filled in when the request leaves, from ``sample_ns``."""

    data: bytes
    sample_ns: int | None


class WriteTemplate:
    """One write request of a transfer, to be filled in each cycle.

    ``puts`` below is one entry for each value of the transfer: its items as they travel, or None to leave it alone.
    """

    __slots__ = (
        "_controller",
        "_parts",
        "_prepared",
        "_rank",
        "_request",
        "_runs",
        "_single",
        "_status_offset",
        "_transfer",
        "_whole",
    )

    def __init__(self, controller: Controller, transfer: Transfer, request: WriteRequest) -> None:
        self._controller = controller
        self._rank = rank_of(transfer.period_ns)
        self._transfer = transfer
        self._request = request
        self._parts: tuple[_Part, ...] = tuple((cut.value, cut.offset, cut.count) for cut in request.cuts)
        self._runs: dict[tuple[int, int], Prepared] = {}
        self._single = controller.write_single and request.span.count == 1
        order = [value for value, _, _ in self._parts]
        # The plain case, a request that values fill in order without holes or overlaps, is put together by joining.
        offset = 0
        is_plain = request.span.table is Table.HOLDING and not request.is_mask
        for _, at, count in self._parts:
            is_plain = is_plain and at == offset
            offset = at + count
        self._whole: tuple[int, ...] | None = tuple(order) if is_plain and offset == request.span.count else None
        self._status_offset = next((cut.offset for cut in request.cuts if cut.value == STATUS), None)
        self._prepared = None if request.is_mask else self._prepare(0, request.span.count)

    def jobs(self, puts: Sequence[bytes | None], status: StatusWords | None, done: Done) -> list[Job]:
        """The requests that put these values; ``status`` is the status registers' content where they are part of it."""
        if self._whole is not None:
            words = status.data if status is not None else None
            chosen = [words if index == STATUS else puts[index] for index in self._whole]
            if None not in chosen:
                assert self._prepared is not None
                data = b"".join(chosen)  # type: ignore[arg-type]
                job = Job(self._prepared.with_data(data), done, is_write=True, rank=self._rank)
                if self._status_offset is not None and status is not None:
                    _ask_for_age(job, self._status_offset, status)
                return [job]
        if self._request.is_mask:
            return self._mask_job(puts, done)
        return self._run_jobs(puts, status, done)

    def _mask_job(self, puts: Sequence[bytes | None], done: Done) -> list[Job]:
        """Bits inside one register: only the bits of values that are fit are changed."""
        changed = 0
        ones = 0
        for index, _, _ in self._parts:
            put = puts[index]
            bit = self._transfer.values[index].put.bit
            assert bit is not None
            if put is not None:
                changed |= 1 << bit
                ones |= (put[-1] & 1) << bit
        if not changed:
            return []
        request = MaskWriteRegister(self._request.span.start, 0xFFFF ^ changed, ones)
        return [Job(prepare(self._controller.unit, request), done, is_write=True, rank=self._rank)]

    def _run_jobs(self, puts: Sequence[bytes | None], status: StatusWords | None, done: Done) -> list[Job]:
        """One request for each unbroken run of values that are fit."""
        jobs: list[Job] = []
        run: list[tuple[_Part, bytes]] = []
        for part in (*self._parts, None):
            put = None
            if part is not None:
                words = status.data if status is not None else None
                put = words if part[0] == STATUS else puts[part[0]]
            touches = part is not None and bool(run) and run[-1][0][1] + run[-1][0][2] == part[1]
            if run and (put is None or not touches):
                jobs.append(self._run_job(run, done))
                at = next((each[1] - run[0][0][1] for each, _ in run if each[0] == STATUS), None)
                if at is not None and status is not None:
                    _ask_for_age(jobs[-1], at, status)
                run = []
            if part is not None and put is not None:
                run.append((part, put))
        return jobs

    def _run_job(self, run: Sequence[tuple[_Part, bytes]], done: Done) -> Job:
        start = run[0][0][1]
        count = sum(part[2] for part, _ in run)
        prepared = self._runs.get((start, count))
        if prepared is None:
            prepared = self._runs[start, count] = self._prepare(start, count)
        if self._request.span.table is Table.HOLDING:
            data = b"".join(put for _, put in run)
            return Job(prepared.with_data(data), done, is_write=True, rank=self._rank)
        number = 0
        for part, put in run:
            number |= int.from_bytes(put, "little") << (part[1] - start)
        if self._single:
            data = b"\xff\x00" if number else b"\x00\x00"
        else:
            data = number.to_bytes((count + 7) // 8, "little")
        return Job(prepared.with_data(data), done, is_write=True, rank=self._rank)

    def _prepare(self, offset: int, count: int) -> Prepared:
        """A request for part of the span, with empty data."""
        address = self._request.span.start + offset
        request: Request
        if self._request.span.table is Table.HOLDING:
            request = (
                WriteSingleRegister(address, 0) if self._single else WriteMultipleRegisters(address, bytes(2 * count))
            )
        elif self._single:
            request = WriteSingleCoil(address, False)
        else:
            request = WriteMultipleCoils(address, count, bytes((count + 7) // 8))
        return prepare(self._controller.unit, request)


def _ask_for_age(job: Job, status_offset: int, status: StatusWords) -> None:
    """Let the line fill in the third status register: two registers behind the first, which is at ``status_offset``."""
    job.age_at = 2 * (status_offset + 2)
    job.sample_ns = status.sample_ns
