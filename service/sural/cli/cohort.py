"""`sural cohort`: a population from NDJSON files into a folder, and invented populations to try it on."""

import os
import sys
from argparse import Namespace
from errno import ENOTDIR
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from sural.cli.assess import request_of
from sural.cli.reading import day, refuse, say
from sural.doors.accepted import FIRST_DAY, LAST_DAY, accepted
from sural.issues import Refused

if TYPE_CHECKING:
    from sural.cohort.account import Account
    from sural.cohort.persons import Order


def run_assess(options: Namespace) -> int:
    """Assess a population. Exit status 0: done, whatever was rejected; 1: it stopped; 2: the request cannot be carried out."""
    try:
        return _assess(options)
    except Refused as refused:
        return refuse(refused.issues)
    except ModuleNotFoundError as fault:
        if fault.name not in ("pyspark", "pyarrow", "pandas"):
            raise
        say(f"sural cohort: --engine spark needs more than the base installation: pip install '.[spark]' in a clone of Sural ({fault.name} is missing)")
        return 1


def run_synthetic(options: Namespace) -> int:
    """Write an invented population. Exit status 1 when the folder cannot be written, 2 for a day before or after all examinations."""
    from sural.cohort.synthetic.writing import write as write_population

    if not FIRST_DAY <= day(options) <= LAST_DAY:
        say(f"sural cohort: --as-of: {accepted('as-of')}")
        return 2
    try:
        lines = write_population(
            _made(options.out), options.patients, options.seed, day(options), options.lean, options.faulty, options.gzip
        )
    except OSError as fault:
        say(f"sural cohort: {fault.filename or options.out}: {fault.strerror}")
        return 1
    say(f"{_many(sum(lines.values()), 'line')} of {options.patients:,} invented people in {options.out}")
    return 0


def _assess(options: Namespace) -> int:
    if options.engine == "spark":
        return _on_spark(options)
    if options.master is not None:
        say("sural cohort: --master belongs to --engine spark")
        return 2
    from sural.cohort.grouping import Unreadable
    from sural.cohort.inputs import NotThere, inputs, refuse_other_than_summaries
    from sural.cohort.journal import Occupied, written_in
    from sural.cohort.processes import Stopped
    from sural.cohort.running import run

    try:
        files, earlier = inputs(options.inputs, written_in(Path(options.out))), inputs(options.earlier)
        refuse_other_than_summaries(earlier)
        order = _order(options, tuple(one.name for one in (*files, *earlier)))
        out = _made(options.out)
        with _Progress(options.progress or sys.stderr.isatty()) as watch:
            counted = run(files, earlier, out, order, options.workers or _cores(), options.resume, watch)
    except (NotThere, Occupied, Unreadable, Stopped) as fault:
        say(f"sural cohort: {fault}")
        return 1
    except OSError as fault:
        return _cannot(options, fault)
    return _done(options, counted)


def _on_spark(options: Namespace) -> int:
    if options.master is not None and options.workers is not None:
        say("sural cohort: --workers is for this machine; how many processes a cluster has is said where it is started")
        return 2
    for needed in ("pyspark", "pyarrow", "pandas"):
        import_module(needed)
    from sural.cohort.grouping import Unreadable
    from sural.cohort.inputs import NotThere
    from sural.cohort.journal import Occupied
    from sural.cohort.processes import Stopped
    from sural.cohort.spark.running import run
    from sural.cohort.spark.session import NoSession

    try:
        order = _order(options, ())
        out = _made(options.out)
        master = options.master or f"local[{options.workers or '*'}]"
        with _Progress(options.progress or sys.stderr.isatty()) as watch:
            counted = run(options.inputs, options.earlier, out, order, master, options.resume, watch)
    except (NotThere, Occupied, Unreadable, Stopped, NoSession) as fault:
        say(f"sural cohort: {fault}")
        return 1
    except OSError as fault:
        return _cannot(options, fault)
    return _done(options, counted)


def _order(options: Namespace, names: tuple[str, ...]) -> "Order":
    from sural.cohort.persons import Order

    return Order(request_of(options, "bundle"), not options.without_answers, names, options.check == "structure")


def _made(name: str) -> Path:
    """The folder to write into, made where it is not there. Raises OSError."""
    folder = Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise OSError(ENOTDIR, "--out takes a folder, and this is a file or below one", name) from None
    return folder


def _cannot(options: Namespace, fault: OSError) -> int:
    say(f"sural cohort: {fault.filename or options.out}: {fault.strerror}")
    return 1


def _done(options: Namespace, counted: "Account") -> int:
    lines, patients = counted.lines, counted.patients
    rejects, out = sum(counted.rejects.values()), Path(options.out)
    say(f"{_many(lines.read, 'line')}, {_many(patients['assessed'], 'patient')} assessed, {_many(rejects, 'reject')}: {out / 'report.html'}")
    if not patients["assessed"]:
        say(f"sural cohort: nobody was assessed; {out / 'rejects.ndjson'} says what could not be used")
    return 0


def _many(number: int, what: str) -> str:
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def _cores() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class _Progress:
    """Bars with rate and remaining time on standard error; where nobody looks, one line per stage."""

    def __init__(self, shown: bool) -> None:
        self._shown = shown
        self._bar: Any = None
        self._patients = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        self._close()

    def _close(self) -> None:
        if self._bar is not None:
            self._bar.close()
            self._bar = None

    def _open(self, what: str, total: float, unit: str, done: float = 0) -> None:
        self._close()
        if self._shown:
            from tqdm import tqdm

            self._bar = tqdm(
                desc=what, total=total, initial=done, unit=unit, unit_scale=True, file=sys.stderr, dynamic_ncols=True
            )

    def grouping(self, files: int, size: int) -> None:
        say(f"grouping {size / 1e6:,.0f} MB in {_many(files, 'file')} by patient")
        self._open("grouping", 100, "%")

    def grouped(self, percent: float) -> None:
        if self._bar is not None:
            self._bar.update(max(0.0, percent - self._bar.n))

    def assessing(self, lines: int, done: int) -> None:
        self._close()
        say("assessing patient by patient" + (f"; {done / lines:.0%} is done already" if done else ""))
        self._open("assessing", lines, " lines", done)

    def advance(self, patients: int, lines: int) -> None:
        self._patients += patients
        if self._bar is not None:
            self._bar.set_postfix_str(f"{self._patients:,} patients", refresh=False)
            self._bar.update(lines)
