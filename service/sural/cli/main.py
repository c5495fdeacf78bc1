"""Commands and options. Each command's code stands in its own module and is loaded only when it is used.

Exit status: 0 assessed; 2 some input could not be used (an OperationOutcome is on standard output); 1 a failure of ours.
"""

import argparse
import sys
from collections.abc import Sequence
from datetime import date

from sural.canonical import RULE_SET, VERSION
from sural.cli import cohort_options
from sural.cli.pull_options import at_least_one, authorisation, pulling

RECALL_STATES = ("lost", "overdue", "due", "unsettled", "referred-not-seen", "not-due", "outside", "ended")
CALENDARS = "region of the working-day calendar, such as GB-ENG, GB-SCT, GB-NIR"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return the exit status."""
    options = parser().parse_args(arguments)
    try:
        return int(options.run(options))
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        return 130
    except Exception as fault:  # the last line of defence: no traceback with patient data reaches the terminal
        print(f"sural: internal failure ({type(fault).__name__}); the input is not at fault", file=sys.stderr)
        if options.debug:
            raise
        return 1


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="sural", description="Foot and lower-limb neurological examinations in, foot risk and referrals out."
    )
    top.add_argument("--version", action="version", version=f"sural {VERSION}, rule set {RULE_SET}")
    top.add_argument("--debug", action="store_true", help="show tracebacks; they may hold patient data")
    commands = top.add_subparsers(required=True, metavar="COMMAND")
    _assess(commands.add_parser("assess", help="assess Bundles, Parameters, single resources or NDJSON"))
    _intake(commands.add_parser("intake", help="show what is understood, per code, without assessing"))
    _cases(commands.add_parser("cases", help="list, show and run the fixture cases"))
    _pull(commands.add_parser("pull", help="pull from a record system's FHIR endpoint, assess, one summary per patient"))
    _cohort(commands.add_parser("cohort", help="assess a population from the files of a Bulk Data export"))
    _recall(commands.add_parser("recall", help="list who is due, overdue, lost, unsettled, or referred and not seen"))
    _serve(commands.add_parser("serve", help="run the HTTP service"))
    _notify(commands.add_parser("notify", help="notify the subscribers of a ledger, in a process of its own"))
    _demo(commands.add_parser("demo", help="run the service with the fixture cases and say where to look"))
    return top


def day(text: str) -> date:
    """A whole day, in the one form that FHIR has for it."""
    try:
        found = date.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.isoformat() != text:
        raise argparse.ArgumentTypeError("not a day such as 2026-03-02")
    return found


def port(text: str) -> int:
    """A port that can be listened on; 0 takes a free one."""
    if not (text.isascii() and text.isdigit() and int(text[:6]) < 2**16):
        raise argparse.ArgumentTypeError("not a port from 0 to 65535")
    return int(text)


def _input(command: argparse.ArgumentParser, at_least_one: bool = True) -> None:
    command.add_argument("files", nargs="+" if at_least_one else "*", metavar="FILE", help="file to read; - for standard input")
    _reading(command)


def _reading(command: argparse.ArgumentParser) -> None:
    command.add_argument("--as-of", type=day, default=None, metavar="DATE", help="day of assessment; default today")
    command.add_argument(
        "--lookback", default="P12M", metavar="DURATION", help="how old a finding may be (ISO 8601); default P12M"
    )
    command.add_argument(
        "--check", choices=("structure", "none"), default="structure", help="structural check against the FHIR models"
    )
    command.add_argument(
        "--concept-map", action="append", default=[], metavar="FILE", help="a site's own ConceptMap, laid over ours"
    )
    command.add_argument("--preliminary", action="store_true", help="read preliminary results too")


def _judging(command: argparse.ArgumentParser) -> None:
    command.add_argument("--scheme", action="append", default=None, metavar="ID", help="foot-risk scheme; default all")
    command.add_argument("--pathway", default="ng19", metavar="NAME", help="referral pathway, or a TOML file; default ng19")
    command.add_argument("--calendar", default=None, metavar="REGION", help=CALENDARS)
    command.add_argument(
        "--complete", action="append", default=[], choices=("inspection", "history"), metavar="GROUP",
        help="declare inspection or history complete: what is not recorded is absent",
    )  # fmt: skip


def _assess(command: argparse.ArgumentParser) -> None:
    _input(command)
    _judging(command)
    command.add_argument(
        "--as", dest="form", choices=("bundle", "transaction", "summary", "report", "html"), default=None,
        help="form of the answer; default report on a terminal, else bundle",
    )  # fmt: skip
    _report(command)
    command.add_argument("--trace", action="store_true", help="add every rule that fired, with its findings")
    command.add_argument("--save", default=None, metavar="FILE", help="also write the FHIR answer to a file")
    command.set_defaults(run=_run_assess)


def _report(command: argparse.ArgumentParser, default: str = "text") -> None:
    command.add_argument(
        "--report", choices=("none", "text", "picture"), default=default,
        help=f"the DiagnosticReport in the answer: none, text, or with the picture of both legs; default {default}",
    )  # fmt: skip


def _pull(command: argparse.ArgumentParser) -> None:
    pulling(command)
    _reading(command)
    _judging(command)
    _report(command)
    command.set_defaults(trace=False, check="none")  # as for every population; --check structure asks for it


def _cohort(command: argparse.ArgumentParser) -> None:
    actions = command.add_subparsers(required=True, metavar="ACTION")
    assess = actions.add_parser("assess", help="assess every patient in some NDJSON files; answers, summaries, rejects and a report")
    cohort_options.assessing(assess)
    _reading(assess)
    _judging(assess)
    _report(assess, "none")
    assess.set_defaults(run=_run_cohort_assess, trace=False, check="none")
    invented = actions.add_parser("synthetic", help="write an invented population as a Bulk Data export, to try it on")
    cohort_options.inventing(invented)
    invented.add_argument("--as-of", type=day, default=None, metavar="DATE", help="day up to which they were examined; default today")
    invented.set_defaults(run=_run_cohort_synthetic)


def _recall(command: argparse.ArgumentParser) -> None:
    known = command.add_mutually_exclusive_group()
    known.add_argument("--database", default=None, metavar="URL", help="the ledger; default sural-ledger.sqlite here")
    known.add_argument("--run", dest="run_folder", default=None, metavar="DIR", help="instead of a ledger: what sural cohort assess wrote, answers included")
    command.add_argument("--as-of", type=day, default=None, metavar="DATE", help="day for which the list is made; default today")
    command.add_argument(
        "--state", action="append", default=[], choices=RECALL_STATES,
        help="only those in this state or place; default all that ask for something",
    )  # fmt: skip
    command.add_argument(
        "--service", action="append", default=[], metavar="CODE", help="only those with a referral to this service that was not seen"
    )
    command.add_argument("--source", default=None, metavar="URL", help="only persons of this record system, by its FHIR endpoint")
    command.add_argument(
        "--as", dest="form", choices=("table", "csv", "fhir"), default=None, help="form of the list; default table on a terminal, else csv"
    )
    command.set_defaults(run=_run_recall)


def _intake(command: argparse.ArgumentParser) -> None:
    _input(command, at_least_one=False)
    command.add_argument(
        "--as", dest="form", choices=("table", "json"), default=None, help="default table on a terminal, else json"
    )
    command.add_argument(
        "--starter-concept-map", dest="starter", default=None, metavar="FILE",
        help="also write a ConceptMap of the codes that are not understood, to fill in",
    )  # fmt: skip
    command.add_argument(
        "--from", dest="source", default=None, metavar="URL", help="read a FHIR endpoint instead of files, or as well"
    )
    command.add_argument(
        "--patients", type=at_least_one, default=50, metavar="N", help="with --from: how many patients to read; default 50"
    )
    authorisation(command)
    command.set_defaults(run=_run_intake)


def _cases(command: argparse.ArgumentParser) -> None:
    actions = command.add_subparsers(required=True, metavar="ACTION")
    listed = actions.add_parser("list", help="one line per case")
    listed.set_defaults(run=_run_cases_list)
    shown = actions.add_parser("show", help="a case: why it is there, its report, and where its files are")
    shown.add_argument("name", help="name of a case")
    shown.set_defaults(run=_run_cases_show)
    run = actions.add_parser("run", help="assess cases and compare with what is expected")
    run.add_argument("names", nargs="*", metavar="NAME", help="cases to run; default all")
    run.add_argument("--url", default=None, help="base address of a running service, such as http://127.0.0.1:8000/fhir")
    run.set_defaults(run=_run_cases_run)


def _address(command: argparse.ArgumentParser) -> None:
    command.add_argument("--host", default="127.0.0.1", help="address to listen on; default loopback")
    command.add_argument("--port", type=port, default=8000, help="port to listen on; default 8000")


def _serve(command: argparse.ArgumentParser) -> None:
    _address(command)
    command.add_argument("--check", choices=("structure", "none"), default="structure", help="structural check of what comes in")
    command.add_argument(
        "--fake-ehr", type=at_least_one, nargs="?", const=100, default=None, metavar="PATIENTS",
        help="serve a scripted record system with invented patients instead, to try a connection on; loopback only",
    )  # fmt: skip
    command.add_argument(
        "--fault", action="append", default=[], metavar="NAME[=VALUE]", help="a bad day of the fake EHR, such as throttle-every=5"
    )
    command.add_argument(
        "--client", action="append", default=[], metavar="ID=FILE",
        help="a client of the fake EHR and its JWKS; without one no token is needed",
    )  # fmt: skip
    command.add_argument(
        "--database", default="sqlite:///sural-ledger.sqlite", metavar="URL",
        help="the ledger with stored answers; default sural-ledger.sqlite here, made when it is first needed",
    )  # fmt: skip
    command.add_argument("--settings", default=None, metavar="FILE", help="who may ask, and whom the service may ask (TOML)")
    command.add_argument(
        "--without-authentication", action="store_true", help="listen beyond this machine though nobody has to say who they are"
    )
    command.add_argument("--access-log", action="store_true", help="one line per request, and per notification, on standard error: route, status, time")
    command.add_argument("--without-notifications", action="store_true", help="leave notifying subscribers to `sural notify`")
    command.set_defaults(run=_run_serve)


def _notify(command: argparse.ArgumentParser) -> None:
    command.add_argument("--database", default="sqlite:///sural-ledger.sqlite", metavar="URL", help="the ledger; default sural-ledger.sqlite here")
    command.add_argument("--settings", required=True, metavar="FILE", help="whom the service may notify (TOML)")
    command.add_argument("--once", action="store_true", help="deliver what can be delivered now, and end; else go on until interrupted")
    command.add_argument("--log", action="store_true", help="one line per notification on standard error: subscription, events, status, time")
    command.set_defaults(run=_run_notify)


def _demo(command: argparse.ArgumentParser) -> None:
    _address(command)
    command.set_defaults(run=_run_demo)


def _run_assess(options: argparse.Namespace) -> int:
    from sural.cli.assess import run

    return run(options)


def _run_recall(options: argparse.Namespace) -> int:
    from sural.cli.recall import run

    return run(options)


def _run_cohort_assess(options: argparse.Namespace) -> int:
    from sural.cli.cohort import run_assess

    return run_assess(options)


def _run_cohort_synthetic(options: argparse.Namespace) -> int:
    from sural.cli.cohort import run_synthetic

    return run_synthetic(options)


def _run_intake(options: argparse.Namespace) -> int:
    from sural.cli.intake import run

    return run(options)


def _run_cases_list(options: argparse.Namespace) -> int:
    from sural.cli.cases import run_list

    return run_list()


def _run_cases_show(options: argparse.Namespace) -> int:
    from sural.cli.cases import run_show

    return run_show(options.name)


def _run_cases_run(options: argparse.Namespace) -> int:
    from sural.cli.cases import run_run

    return run_run(options.names, options.url)


def _run_notify(options: argparse.Namespace) -> int:
    from sural.cli.notify import run

    return run(options)


def _run_serve(options: argparse.Namespace) -> int:
    if options.fake_ehr is not None:
        from sural.cli.fake_ehr import run_fake_ehr

        return run_fake_ehr(options)
    from sural.cli.serve import run

    return run(options)


def _run_demo(options: argparse.Namespace) -> int:
    from sural.cli.serve import run_demo

    return run_demo(options.host, options.port)
