"""The requests of a plan as the engine asks them: who waits for what, and which line serves it.

A task is what the schedule releases: a sweep, or a command. A chain is one transfer's way through its task: stages, one
after the other, each a few requests that are asked for together. The next stage begins when all of them are answered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from wherry.packing.functions import READ_FUNCTIONS, WRITE_FUNCTIONS, write_functions
from wherry.packing.layout import ALIVE, GUARD, STATUS, Cut, ReadRequest, Sweep, TransferLayout, WriteRequest, layout
from wherry.plan.addresses import by_address, share
from wherry.plan.model import Command, Controller, Plan, Span, Table, Transfer
from wherry.timing.conditions import Conditions, Measured, Work, work_of
from wherry.timing.link_limits import LinkLimits
from wherry.timing.opening import Opening, opening_of
from wherry.timing.releases import release_offsets_ns

_NONE: Final = -(10**9)
"""Fewer than any number of requests: it cannot be."""


@dataclass(frozen=True, slots=True)
class Lane:
    """One address: what is asked there is served one at a time. ``links`` are its connections, by controllers."""

    controllers: tuple[Controller, ...]
    links: tuple[tuple[str, ...], ...]
    limits: tuple[LinkLimits, ...]
    """Of each link."""

    @property
    def is_plain(self) -> bool:
        """One controller, one connection, one request at a time: its queue alone decides who is next."""
        return len(self.controllers) == 1 and self.limits[0].in_flight == 1

    def link_of(self, controller: str) -> int:
        return next(index for index, names in enumerate(self.links) if controller in names)


@dataclass(frozen=True, slots=True)
class Asked:
    """One request that is asked for in each period of its task, at the most."""

    index: int
    task: int
    stage: int
    """Of its chain; 0 is what is asked for at the release."""
    chain: int
    """The chain it belongs to; of a sweep's reads, which several chains wait for, the first."""
    lane: int
    controller: str
    is_write: bool
    """Whether it goes before reads in the queue."""
    function: int
    span: Span
    carries: tuple[tuple[str, str], ...]
    work: Work
    is_rare: bool = False
    """Not in each period: a command's other steps, another attempt after a torn reading."""


@dataclass(frozen=True, slots=True)
class Stage:
    """Requests that are asked for together, ``pause_ns`` after the stage before is over."""

    requests: tuple[int, ...]
    pause_ns: int = 0
    is_again: bool = False
    """Whether it comes only when the readings before it were torn."""
    is_attempt: bool = False
    """Whether it is the first stage of another reading: it begins within the period, or not at all."""
    after_ns: int = 0
    """How long after the release it comes at the earliest."""


@dataclass(frozen=True, slots=True)
class Task:
    """What the schedule releases."""

    name: str
    period_ns: int
    offset_ns: int


@dataclass(frozen=True, slots=True)
class Chain:
    """The way of one transfer, or of one command. ``told``: the request after its end that tells the receiver."""

    name: str
    task: int
    stages: tuple[Stage, ...]
    transfer: Transfer | None = None
    takes: tuple[tuple[int, ...], ...] = ()
    """The requests that read each value."""
    puts: tuple[tuple[int, ...], ...] = ()
    """The requests that write each value."""
    told: int | None = None

    @property
    def reads_again(self) -> bool:
        """Whether it has stages that come only after a torn reading."""
        return any(each.is_again for each in self.stages)

    @property
    def usual_stages(self) -> tuple[Stage, ...]:
        """Its stages when no reading is torn."""
        return tuple(each for each in self.stages if not each.is_again)


@dataclass(frozen=True, slots=True)
class System:
    """All of it."""

    lanes: tuple[Lane, ...]
    tasks: tuple[Task, ...]
    chains: tuple[Chain, ...]
    requests: tuple[Asked, ...]
    may_come: tuple[int, ...] = ()
    """Requests that may come at any time of their period."""
    openings: tuple[tuple[Opening | None, ...], ...] = ()
    """By lane and link, what it takes to open it anew; None: it lasts."""


def system_of(
    plan: Plan, conditions: Conditions, measured: Measured | None = None, sweeps: Sequence[Sweep] | None = None
) -> System:
    """The requests of a plan. They are those of the engine: one layout, one order of releases, one set of limits.

    ``sweeps`` is the layout of the plan where it is known already.
    """
    return _Builder(plan, conditions, measured).build(layout(plan) if sweeps is None else sweeps)


def lanes_of(plan: Plan) -> tuple[Lane, ...]:
    """The addresses of the controllers that are used."""
    used = {name for each in plan.putting for name in (each.source, each.destination)}
    controllers = [each for each in plan.controllers if each.name in used]
    lanes = []
    for group in by_address(controllers):
        links = share(group)
        limits = tuple(LinkLimits.of(each, len(links)) for each in links)
        lanes.append(Lane(tuple(group), tuple(tuple(each.name for each in link) for link in links), limits))
    return tuple(lanes)


@dataclass
class _Builder:
    plan: Plan
    conditions: Conditions
    measured: Measured | None
    requests: list[Asked] = field(default_factory=list)
    chains: list[Chain] = field(default_factory=list)
    task: int = 0

    def __post_init__(self) -> None:
        self.lanes = lanes_of(self.plan)
        self.controllers: Mapping[str, Controller] = {each.name: each for each in self.plan.controllers}
        self.lane_of = {each.name: index for index, lane in enumerate(self.lanes) for each in lane.controllers}

    def build(self, sweeps: Sequence[Sweep]) -> System:
        for task, sweep in enumerate(sweeps):
            self.task = task
            self._add_sweep(sweep)
        for task, command in enumerate(self.plan.commands, len(sweeps)):
            self.task = task
            self._add_command(command)
        names = [_sweep_name(sweep) for sweep in sweeps] + [each.name for each in self.plan.commands]
        periods_ns = [each.period_ns for each in sweeps] + [each.period_ns for each in self.plan.commands]
        tasks = tuple(
            Task(name, period_ns, offset_ns)
            for name, period_ns, offset_ns in zip(names, periods_ns, release_offsets_ns(periods_ns), strict=True)
        )
        return System(self.lanes, tasks, tuple(self.chains), tuple(self.requests), openings=self._openings())

    def _openings(self) -> tuple[tuple[Opening | None, ...], ...]:
        works: dict[str, list[Work]] = {}
        for each in self.requests:
            works.setdefault(each.controller, []).append(each.work)
        return tuple(
            tuple(
                opening_of(
                    [self.controllers[name] for name in names],
                    limits,
                    [(name, work) for name in names for work in works.get(name, ())],
                    self.conditions,
                    self.measured,
                )
                for names, limits in zip(lane.links, lane.limits, strict=True)
            )
            for lane in self.lanes
        )

    def _ask(
        self,
        name: str,
        function: int,
        span: Span,
        stage: int,
        carries: tuple[tuple[str, str], ...],
        *,
        is_write: bool = False,
        is_rare: bool = False,
        chain: int | None = None,
    ) -> int:
        controller, lane = self.controllers[name], self.lane_of[name]
        limits = self.lanes[lane].limits[self.lanes[lane].link_of(name)]
        work = work_of(
            controller,
            function,
            span,
            gap_ns=limits.gap_ns,
            spacing_ns=limits.spacing_ns,
            conditions=self.conditions,
            measured=None if self.measured is None else self.measured.responses.get(name),
        )
        index = len(self.requests)
        chain = len(self.chains) if chain is None else chain
        self.requests.append(
            Asked(index, self.task, stage, chain, lane, name, is_write, function, span, carries, work, is_rare)
        )
        return index

    def _read(self, name: str, span: Span, stage: int, carries: tuple[tuple[str, str], ...], **more: bool) -> int:
        return self._ask(name, READ_FUNCTIONS[span.table], span, stage, carries, **more)

    # Sweeps.

    def _add_sweep(self, sweep: Sweep) -> None:
        if sweep.transfers[0].transfer.careful is not None:
            self._add_careful(sweep)
            return
        reads: dict[int, int] = {}
        for chain, each in enumerate(sweep.transfers, len(self.chains)):
            for position in each.reads:
                if position not in reads:
                    span, cuts = sweep.reads[position].span, sweep.reads[position].cuts
                    reads[position] = self._ask(
                        sweep.source, READ_FUNCTIONS[span.table], span, 0, _carried(sweep, cuts), chain=chain
                    )
        for index, each in enumerate(sweep.transfers):
            stage = Stage(tuple(reads[position] for position in each.reads))
            takes = _takes(sweep, index, reads)
            self._add_transfer(sweep, each, [stage], takes)

    def _add_careful(self, sweep: Sweep) -> None:
        """One request after the other; further attempts come only when a reading was torn."""
        (each,) = sweep.transfers
        careful = each.transfer.careful
        assert careful is not None
        gap_ns = careful.gap_ns or 0
        stages: list[Stage] = []
        takes: list[int] = []

        def look(read: ReadRequest, attempt: int, pause_ns: int = 0, *, is_first: bool = False) -> None:
            carries = ((each.transfer.name, "again"),) if attempt else _carried(sweep, read.cuts)
            request = self._read(sweep.source, read.span, len(stages), carries, is_rare=attempt > 0)
            after_ns = attempt * sweep.period_ns // (careful.tries + 1) if sweep.guard is not None and is_first else 0
            stages.append(Stage((request,), pause_ns, attempt > 0, attempt > 0 and is_first, after_ns))
            takes.append(request)

        for attempt in range(careful.tries):
            if sweep.guard is None and attempt and (attempt + 1) * gap_ns >= sweep.period_ns:
                # However quick the replies are, it would begin when the period is over.
                break
            if sweep.guard is not None:
                look(sweep.guard, attempt, is_first=True)
            # Without a guard the reading before is the first of the two that are compared.
            rounds = range(1 if attempt and sweep.guard is None else 0, sweep.rounds)
            for number in rounds:
                for position, read in enumerate(sweep.reads):
                    is_first = sweep.guard is None and number == rounds[0] and not position
                    look(read, attempt, gap_ns if number and not position else 0, is_first=is_first)
            if sweep.guard is not None:
                look(sweep.guard, attempt)
        # The age counts from the first request on which the values rest.
        self._add_transfer(sweep, each, stages, tuple((takes[0],) for _ in each.transfer.values))

    def _add_transfer(
        self, sweep: Sweep, each: TransferLayout, stages: list[Stage], takes: tuple[tuple[int, ...], ...]
    ) -> None:
        transfer = each.transfer
        name = transfer.destination
        looked_at = [(read.span, _carried(sweep, read.cuts)) for read in each.verify_reads]
        # A place with a step is read before each write, by itself.
        looked_at += [(value.put.span, ((transfer.name, value.name),)) for value in transfer.values if value.step]
        if looked_at:
            stages.append(Stage(tuple(self._read(name, span, len(stages), carries) for span, carries in looked_at)))
        puts: dict[int, list[int]] = {}
        last = each.status_in
        batches = [each.writes[:last], each.writes[last:]] if last is not None else [each.writes]
        is_parted = False
        for batch in batches:
            is_parted = self._add_writes(sweep, transfer, batch, stages, puts)
        told = None
        if each.status_alone is not None and (last is None or is_parted):
            (function,) = write_functions(self.controllers[name], each.status_alone)
            carries = _carried(sweep, each.status_alone.cuts)
            told = self._ask(name, _known(function), each.status_alone.span, len(stages), carries, is_write=True)
        puts_by_value = tuple(tuple(puts.get(index, ())) for index in range(len(transfer.values)))
        self.chains.append(Chain(transfer.name, self.task, tuple(stages), transfer, takes, puts_by_value, told))

    def _add_writes(
        self,
        sweep: Sweep,
        transfer: Transfer,
        batch: Sequence[WriteRequest],
        stages: list[Stage],
        puts: dict[int, list[int]],
    ) -> bool:
        """The writes of one stage; bits that are read, changed and written make two more. True if one may be parted."""
        name, controller = transfer.destination, self.controllers[transfer.destination]
        steps: list[list[int]] = []
        is_parted = False
        for write in batch:
            pieces = pieces_max(transfer, write)
            is_parted = pieces > 1
            functions = [_known(each) for each in write_functions(controller, write)]
            spans = _pieces(write.span, pieces)
            asked: list[int] = []
            for step, function in enumerate(functions):
                while len(steps) <= step:
                    steps.append([])
                for span in spans:
                    stage = len(stages) + step
                    asked.append(self._ask(name, function, span, stage, _carried(sweep, write.cuts), is_write=True))
                    steps[step].append(asked[-1])
            for cut in write.cuts:
                if cut.value >= 0:
                    puts.setdefault(cut.value, []).extend(asked)
        stages += [Stage(tuple(each)) for each in steps]
        return is_parted

    # Commands.

    def _add_command(self, command: Command) -> None:
        """All that a command may ask within one period, one request after the other."""
        (sweep,) = layout(Plan("", self.plan.controllers, (command.as_transfer,)))
        (each,) = sweep.transfers
        stages: list[Stage] = []

        def read(name: str, span: Span, what: str, *, is_rare: bool = True) -> None:
            asked = self._read(name, span, len(stages), ((command.name, what),), is_rare=is_rare)
            stages.append(Stage((asked,)))

        def write(name: str, request: WriteRequest, what: str) -> None:
            for function in write_functions(self.controllers[name], request):
                asked = self._ask(
                    name,
                    _known(function),
                    request.span,
                    len(stages),
                    ((command.name, what),),
                    is_write=True,
                    is_rare=True,
                )
                stages.append(Stage((asked,)))

        read(command.source, command.request.span, "request", is_rare=False)
        if command.answer is not None:
            read(command.source, Span(Table.HOLDING, command.answer.start, 1), "answer")
        if command.values:
            for request in sweep.reads:
                read(command.source, request.span, "parameters")
            read(command.source, command.request.span, "request again")
        read(command.destination, command.acknowledge.span, "acknowledge", is_rare=False)
        read(command.destination, command.put.span, "request number")
        for request_to_write in each.writes:
            write(command.destination, request_to_write, "put")
        read(command.destination, command.acknowledge.span, "acknowledge again")
        if command.result is not None:
            read(command.destination, command.result.span, "result")
        if command.answer is not None:
            write(command.source, WriteRequest(command.answer, ()), "answer")
        self.chains.append(Chain(command.name, self.task, tuple(stages)))


def pieces_max(transfer: Transfer, write: WriteRequest) -> int:
    """Into how many requests a write may be parted when each value is written only when it has changed."""
    if write.is_mask or not any(cut.value >= 0 and transfer.values[cut.value].is_on_change for cut in write.cuts):
        return 1
    # The most runs when the part before is written, and when it is left out.
    written, left_out, stop = _NONE, 0, -1
    for cut in write.cuts:
        is_optional = cut.value >= 0 and transfer.values[cut.value].is_on_change
        kept = max(written, left_out) if is_optional else _NONE
        written, left_out = max(left_out + 1, written + (cut.offset != stop)), kept
        stop = cut.offset + cut.count
    return max(1, written, left_out)


def _pieces(span: Span, count: int) -> list[Span]:
    """``count`` requests that carry as many items together as one."""
    count = min(count, span.count)
    return [Span(span.table, span.start, span.count - count + 1)] + [Span(span.table, span.start, 1)] * (count - 1)


def _known(function: int | None) -> int:
    """Of a table that cannot be written, which is an error of the plan, as if it could be."""
    return WRITE_FUNCTIONS[Table.HOLDING] if function is None else function


def _takes(sweep: Sweep, index: int, reads: Mapping[int, int]) -> tuple[tuple[int, ...], ...]:
    found: list[set[int]] = [set() for _ in sweep.transfers[index].transfer.values]
    for position, request in reads.items():
        for cut in sweep.reads[position].cuts:
            if cut.transfer == index and cut.value >= 0:
                found[cut.value].add(request)
    return tuple(tuple(sorted(each)) for each in found)


def _carried(sweep: Sweep, cuts: Sequence[Cut]) -> tuple[tuple[str, str], ...]:
    words = {ALIVE: "alive", STATUS: "status", GUARD: "guard"}
    carried: list[tuple[str, str]] = []
    for cut in cuts:
        transfer = sweep.transfers[cut.transfer].transfer
        carried.append((transfer.name, words.get(cut.value) or transfer.values[cut.value].name))
    return tuple(carried)


def _sweep_name(sweep: Sweep) -> str:
    return ", ".join(each.transfer.name for each in sweep.transfers)
