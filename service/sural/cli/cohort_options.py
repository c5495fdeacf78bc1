"""The options of `sural cohort`."""

import argparse


def assessing(command: argparse.ArgumentParser) -> None:
    """What a run reads, where it writes, and how it is carried out."""
    command.add_argument(
        "inputs", nargs="+", metavar="INPUT", help="NDJSON files of a Bulk Data export, compressed or not, or folders of them"
    )
    command.add_argument(
        "--out", required=True, metavar="DIR",
        help="folder for answers.ndjson, summaries.ndjson, rejects.ndjson, report.html and account.json",
    )  # fmt: skip
    command.add_argument(
        "--engine", choices=("local", "spark"), default="local",
        help="what groups and assesses: processes of this machine, or Apache Spark; default local",
    )  # fmt: skip
    command.add_argument(
        "--master", default=None, metavar="URL", help="with --engine spark: the cluster, such as spark://HOST:7077; default local[*]"
    )
    command.add_argument(
        "--workers", type=_count, default=None, metavar="N", help="processes of this machine; default one per processor"
    )
    command.add_argument("--resume", action="store_true", help="take up a run that did not end: nobody twice, nobody lost")
    command.add_argument(
        "--earlier", action="append", default=[], metavar="FILE",
        help="summaries.ndjson of an earlier run, to report what has changed since",
    )  # fmt: skip
    command.add_argument(
        "--without-answers", action="store_true", help="write summaries and report only: two to four times as fast"
    )
    command.add_argument("--progress", action="store_true", help="show the progress bar though standard error is no terminal")


def inventing(command: argparse.ArgumentParser) -> None:
    """What an invented population is like."""
    command.add_argument("--out", required=True, metavar="DIR", help="folder for one NDJSON file per type of resource")
    command.add_argument("--patients", type=_people, default=1000, metavar="N", help="how many people; default 1000")
    command.add_argument("--seed", type=_whole, default=1, metavar="N", help="the same seed gives the same people; default 1")
    command.add_argument(
        "--lean", action="store_true", help="a lean examination of some twelve Observations instead of some forty"
    )
    command.add_argument(
        "--faulty", type=_share, default=0.0, metavar="SHARE",
        help="share of Observations with a fault, such as 0.002; a tenth as many lines are broken off",
    )  # fmt: skip
    command.add_argument("--gzip", action="store_true", help="compress the files")


def _people(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) < 10_000_000:
        raise argparse.ArgumentTypeError("not a number of people below 10,000,000")
    return int(text)


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError("not a whole number") from None


def _share(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value <= 1:
        raise argparse.ArgumentTypeError("not a share between 0 and 1")
    return value


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 1024:
        raise argparse.ArgumentTypeError("not a number of processes from 1 to 1024")
    return int(text)
