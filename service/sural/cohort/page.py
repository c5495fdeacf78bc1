"""The population report: one self-contained page for who leads a screening service. No script, nothing from elsewhere, readable in greys.

It holds counts only. What is certain and what is not stand side by side: an answer that is open is never drawn as one of its ends.
"""

from collections.abc import Iterable, Iterator, Sequence

from sural.answer.coverage import FOOT_PARTS
from sural.answer.markup import element, words
from sural.answer.wording import CAUTIONS, EMERGENCY, in_sentence, said_factor
from sural.cohort.account import Account
from sural.cohort.charts import FILLS, NONE, OPEN, Part, bars, definitions, key, share, stacked
from sural.cohort.tally import MORE
from sural.footrisk.schemes import SCHEMES
from sural.issues import KINDS
from sural.neuropathy.codes import CHANGES, CODES
from sural.plan.pathway import SERVICES, URGENCIES
from sural.recall.definitions import CHANGES as DETERIORATION

_STYLE = """
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 2rem 1.25rem 3rem; max-width: 54rem; background: #ffffff; color: #17212b;
  font: 1rem/1.5 Helvetica, Arial, "Liberation Sans", sans-serif; }
h1 { margin: 0; font-size: 1.6rem; line-height: 1.25; }
h2 { margin: 2.25rem 0 0.5rem; padding-bottom: 0.25rem; border-bottom: 1px solid #8a949e; font-size: 1.2rem; }
h3 { margin: 1.5rem 0 0.25rem; font-size: 1rem; }
p { margin: 0.4rem 0; }
.muted, footer { color: #4d5966; }
.cautions { margin: 1rem 0 0; padding: 0.75rem 1rem; background: #f1f3f5; font-size: 0.9rem; }
.figures { display: grid; grid-template-columns: repeat(auto-fit, minmax(14rem, 1fr)); gap: 0.75rem; margin: 1rem 0 0; padding: 0; list-style: none; }
.figures li { padding: 0.6rem 0.8rem; border: 1px solid #8a949e; }
.figures strong { display: block; font-size: 1.5rem; line-height: 1.2; }
.figures .first { border: 3px solid #17212b; }
.chart { display: block; width: 100%; height: auto; margin: 0.5rem 0; font: 13px Helvetica, Arial, "Liberation Sans", sans-serif; }
.chart .number { font-size: 12px; font-variant-numeric: tabular-nums; }
.key .entry { display: inline-block; margin-right: 1.25rem; white-space: nowrap; }
.key svg { vertical-align: -0.15em; }
table { width: 100%; margin: 0.5rem 0; border-collapse: collapse; font-size: 0.95rem; }
th, td { padding: 0.25rem 0.5rem; border-bottom: 1px solid #c3cad1; text-align: left; vertical-align: top; }
th { border-bottom-color: #17212b; }
.n { text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }
@page { size: A4; margin: 16mm 15mm; }
@media print { html { font-size: 10pt; } body { max-width: none; padding: 0; } h2, h3 { break-after: avoid; } svg, tr { break-inside: avoid; } }
"""
_URGENCY_WORDS = {"stat": "today, by the emergency route", "urgent": "urgent", "routine": "routine"}
_SINCE = {
    "worse": "certainly a higher category",
    "better": "certainly a lower category",
    "same": "the same category",
    "overlapping": "cannot be said: one of the answers is open",
}
_UNCOMPARED = "not compared: the scheme does not apply or does not stratify, now or then"
_LINES = (
    ("used", "used as evidence"), ("superseded", "superseded by a newer version or reading"),
    ("not_relevant", "nothing that is read here (other codes and types, older than the look-back, our own answers)"),
    ("unusable", "of a patient, but unusable"), ("refused", "of patients who cannot be assessed"), ("rejected", "of no patient that can be told"),
    ("blank", "empty"),
)  # fmt: skip


def page(account: Account) -> str:
    """The page, from the document type to the last line. The same account gives the same bytes."""
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", words(f"Foot screening, population report as of {account.as_of}")),
        element("style", _STYLE),
    )
    return f"<!DOCTYPE html>\n{element('html', head, element('body', definitions(), *_body(account)), lang='en')}\n"


def _body(account: Account) -> Iterator[str]:
    people = account.patients["assessed"]
    yield element(
        "header",
        element("h1", words("Foot screening: population report")),
        element(
            "p", words(f"{people:,} patients assessed as of {account.as_of}, from {account.lines.read:,} lines."), class_="muted"
        ),
        element("p", words(f"Findings count from {account.earliest} on (the look-back); history and diagnoses never expire."), class_="muted"),
        element("div", *(element("p", words(one)) for one in CAUTIONS), class_="cautions"),
    )
    sections = (_glance, _risk, _open, _gaps, _neuropathy, _proposals, _changes, _input)
    yield element("main", *(element("section", *section(account)) for section in sections))
    about = f"Sural {account.software}, rule set {account.rule_set}. Counts of few people may point to them: keep this page as you keep their records."
    yield element("footer", element("p", words(about)))


def _glance(account: Account) -> Iterator[str]:
    people, urgency = account.patients["assessed"], account.part("urgency")
    settled = sum(account.part("risk", account.scheme, "settled").values())
    figures = [
        (urgency.get("stat", 0), "may lose limb or life: to be seen today", "first"),
        (urgency.get("urgent", 0), "with another active problem, or an urgent sign", None),
        (settled, f"({share(settled, people)}) have a settled {_title(account.scheme)} category", None),
        (people - settled, f"({share(people - settled, people)}) are open: something that matters was not examined", None),
        (account.patients["refused"], "could not be assessed (deceased, inactive, or not readable)", None),
        (account.patients["nothing to assess"], "have nothing to assess", None),
    ]
    yield element("h2", words("At a glance"))
    yield element(
        "ul",
        *(element("li", element("strong", words(f"{number:,}")), words(text), class_=kind) for number, text, kind in figures),
        class_="figures",
    )
    if urgency.get("stat"):
        yield _text(EMERGENCY)


def _risk(account: Account) -> Iterator[str]:
    yield element("h2", words("Foot risk by scheme"))
    yield _text(
        "A plain bar is a settled category, from light (lowest) to dark. Hatched: the answer is a range, because a finding that matters is missing; "
        "nobody in it is counted as low. White: the scheme does not apply or does not stratify."
    )
    yield key(
        (("lowest", FILLS[0]), ("higher", FILLS[2]), ("highest or active", FILLS[4]), ("open", OPEN), ("not stratified", NONE))
    )
    yield stacked([(_title(scheme), _parts(account, scheme)) for scheme in SCHEMES], "Foot risk by scheme")
    for scheme in SCHEMES:
        yield element("h3", words(_title(scheme)))
        yield from _categories(account, scheme)


def _parts(account: Account, scheme: str) -> list[Part]:
    settled, categories = account.part("risk", scheme, "settled"), SCHEMES[scheme].categories
    fills = FILLS if len(categories) == len(FILLS) else (FILLS[0], FILLS[1], FILLS[2], FILLS[4])
    known = [
        (category.display, settled.get(code, 0), fill) for (code, category), fill in zip(categories.items(), fills, strict=True)
    ]
    beyond = sum(number for code, number in settled.items() if code not in categories)
    return [*known, ("Open", sum(account.part("risk", scheme, "open").values()), OPEN), ("Not stratified", beyond, NONE)]


def _categories(account: Account, scheme: str) -> Iterator[str]:
    people, settled = account.patients["assessed"], account.part("risk", scheme, "settled")
    rows = [(category.display, settled.get(code, 0)) for code, category in SCHEMES[scheme].categories.items()]
    rows += [
        (code.replace("-", " ").capitalize(), number)
        for code, number in settled.items()
        if code not in SCHEMES[scheme].categories
    ]
    ranges = account.part("risk", scheme, "open")
    for between, number in ranges.items():
        low, high = (SCHEMES[scheme].categories[code] for code in between.split("|"))
        certain = "" if low.code == SCHEMES[scheme].lowest else f"at least {in_sentence(low.display)}, "
        rows.append((f"Open: {certain}could be {in_sentence(high.display)}", number))
    yield _table(("category", "people", "share"), [(name, f"{number:,}", share(number, people)) for name, number in rows])


def _open(account: Account) -> Iterator[str]:
    scheme = account.scheme
    unsettled = sum(account.part("risk", scheme, "open").values())
    yield element("h2", words(f"Why answers are open ({_title(scheme)})"))
    if not unsettled:
        yield _text("None is open.")
        return
    yield _text(
        f"Of {unsettled:,} people whose category is open: in how many each finding could still change it. Several may count for one person."
    )
    rows = [(said_factor(factor), number) for factor, number in account.part("open", scheme).items()]
    yield bars(rows, unsettled, "Findings that keep answers open")
    settling = account.part("settle", scheme)
    few = [
        (_set(findings), f"{number:,}", share(number, unsettled)) for findings, number in settling.items() if findings != MORE
    ][:12]
    yield element("h3", words("The shortest way to settle them"))
    yield _text("Examining just this would settle the answer, whatever is found:")
    rest = settling.get(MORE, 0)
    yield _table(
        ("to examine", "people", "share"),
        [*few, *([("four findings or more", f"{rest:,}", share(rest, unsettled))] if rest else [])],
    )


def _gaps(account: Account) -> Iterator[str]:
    people, missing = account.patients["assessed"], account.part("missing")
    yield element("h2", words("What was not examined"))
    yield _text(
        "People with at least one foot on which nothing is recorded of it within the look-back. A foot that is gone does not count."
    )
    rows = []
    for part, text, _ in FOOT_PARTS:
        number = sum(missing.get(f"{part}|{feet}", 0) for feet in ("both", "one"))
        if number:
            rows.append((_short(text), number))
    yield (
        bars(sorted(rows, key=lambda row: -row[1]), people, "What was not examined")
        if rows
        else _text("Everything was examined.")
    )


def _neuropathy(account: Account) -> Iterator[str]:
    people = account.patients["assessed"]
    yield element("h2", words("Neuropathy"))
    yield _text(
        "Patterns; several may stand for one person. “None found” needs an examination; “undetermined” is what is left when too little was done."
    )
    yield bars([(_short(CODES[code]), number) for code, number in account.part("pattern").items()], people, "Neuropathy patterns")
    flags = account.part("flag")
    if flags:
        yield element("h3", words("Red flags"))
        yield _table(("sign", "people"), [(CODES[code], f"{number:,}") for code, number in flags.items()])


def _proposals(account: Account) -> Iterator[str]:
    counts = account.part("referral")
    yield element("h2", words("Referrals that are proposed"))
    yield _text("Proposals for a clinician to confirm, never orders. A person may have several.")
    rows = [
        (SERVICES[service], _URGENCY_WORDS[urgency], f"{counts[f'{service}|{urgency}']:,}")
        for urgency in URGENCIES
        for service in SERVICES
        if counts.get(f"{service}|{urgency}")
    ]
    yield _table(("service", "how soon", "people"), rows) if rows else _text("None.")


def _changes(account: Account) -> Iterator[str]:
    since, trend = account.part("since"), account.part("trend")
    yield element("h2", words("Changes since last time"))
    if not since and not trend:
        yield _text(
            "Nothing to compare with: no earlier summaries were given (--earlier), and nobody's input holds an earlier examination."
        )
    if since:
        compared = since.get("compared", 0)
        yield _text(
            f"{compared:,} people are in the earlier summaries too. A change is counted only when it is certain: the two ranges do not overlap."
        )
        rows = []
        for scheme in SCHEMES:
            moves = [(said, since.get(f"{scheme}|{code}", 0)) for code, said in _SINCE.items()]
            others = compared - sum(number for _, number in moves)
            moves += [(_UNCOMPARED, others)] if others else []
            rows += [(_title(scheme), said, f"{number:,}", share(number, compared)) for said, number in moves]
        yield _table(("scheme", "since last time", "people", "share"), rows)
        worse = [
            (change.display, f"{since.get(f'worse|{code}', 0):,}", share(since.get(f"worse|{code}", 0), compared))
            for code, change in DETERIORATION.items()
        ]
        any_of_them = since.get("worse|any", 0)
        yield element("h3", words("Deterioration since last time"))
        yield _table(("certainly worse", "people", "share"), [*worse, ("any of these", f"{any_of_them:,}", share(any_of_them, compared))])
        yield _text(
            f"In the earlier summaries, but not in this input: {since.get('not-in-this-input', 0):,}. Find out why; they were not assessed."
        )
    if trend:
        compared = trend.get("compared", 0)
        yield element("h3", words("Between the examinations in the input"))
        yield _text(f"{compared:,} people have an earlier examination within the look-back.")
        changed = [(CHANGES[code], f"{trend.get(code, 0):,}", share(trend.get(code, 0), compared)) for code in CHANGES]
        yield _table(("certain change", "people", "share"), changed)


def _input(account: Account) -> Iterator[str]:
    lines = account.lines
    yield element("h2", words("What became of the input"))
    rows = [(text, f"{getattr(lines, name):,}") for name, text in _LINES]
    yield _table(
        ("lines", "number"),
        [
            *rows,
            ("together", f"{lines.read + lines.besides:,}"),
            ("of these: lines read", f"{lines.read:,}"),
            ("of these: contained resources, and Medications once more for each further patient", f"{lines.besides:,}"),
        ],
    )
    if account.rejects:
        yield element("h3", words("Rejects"))
        yield _text(
            "Each stands in rejects.ndjson with its file and line. What a person's rejected finding speaks for is not ruled out in their answer."
        )
        yield _table(
            ("reason", "number"),
            [(f"{KINDS[reason].text} ({reason})", f"{number:,}") for reason, number in account.rejects.items()],
        )
    yield element("h3", words("Files"))
    yield _table(("file", "lines"), [(name, f"{number:,}") for name, number in account.files.items()])


def _title(scheme: str) -> str:
    return SCHEMES[scheme].title


def _short(text: str) -> str:
    """A label that fits beside a bar."""
    said = text[:1].upper() + text[1:]
    return said if len(said) <= 42 else f"{said[:41].rstrip()}…"


def _set(findings: str) -> str:
    return " and ".join(in_sentence(said_factor(one)) for one in findings.split("+"))


def _text(said: str) -> str:
    return element("p", words(said))


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; every column but the first of texts holds numbers, aligned to the right."""
    numeric = {column for column, head in enumerate(heads) if head in ("people", "share", "number", "lines") and column}

    def line(name: str, cells: Sequence[str]) -> str:
        return element(
            "tr", *(element(name, words(one), class_="n" if column in numeric else None) for column, one in enumerate(cells))
        )

    return element("table", element("thead", line("th", heads)), element("tbody", *(line("td", row) for row in rows)))
