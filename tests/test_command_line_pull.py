"""`sural pull` and `sural serve --fake-ehr` as a user types them."""

import socket
from pathlib import Path

import orjson
import pytest

from sural.cli.main import main
from sural.ledger.resources import Resources
from sural.ledger.store import Ledger
from sural.records.fake_ehr.faults import Faults, from_options
from sural.records.faults import ServerFailed, Throttled
from sural.records.following import Follower
from sural.records.http import Manner
from sural.records.pull import Order, Stopped, Tally
from tests.ehr import BASE, EC
from tests.ehr_process import ehr_process

ROOT = Path(__file__).parents[1]


def test_a_pull_writes_one_summary_per_patient(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Summaries on standard output, messages on standard error, nobody due the second time; no id in messages."""
    with ehr_process(4) as base:
        pulling = [
            "pull",
            "--from",
            base,
            "--as-of",
            "2026-03-02",
            "--check",
            "none",
            "--database",
            f"sqlite:///{tmp_path / 'l.sqlite'}",
        ]
        first = main(pulling)
        out, err = capfd.readouterr()
        second = main(pulling)
        out_again, err_again = capfd.readouterr()
        dry = main([*pulling, "--dry-run"])
        out_dry, _ = capfd.readouterr()

    assert [0, 0, 0] == [first, second, dry]
    assert [f"Patient/skerrow-{number:05d}" for number in range(1, 5)] == sorted(
        orjson.loads(line)["subject"] for line in out.splitlines()
    )
    assert ("", 4) == (out_again, len(out_dry.splitlines()))
    assert "4 assessed" in err
    assert "nobody due" in err_again
    assert "skerrow" not in err


def test_an_instant_that_is_none_is_refused_before_anybody_is_asked(capfd: pytest.CaptureFixture[str]) -> None:
    """With the form that is wanted."""
    with pytest.raises(SystemExit) as ended:
        main(["pull", "--from", "http://127.0.0.1:9/fhir", "--since", "yesterday"])

    assert 2 == ended.value.code and "not an instant such as 2026-03-02T08:00:00Z" in capfd.readouterr().err


def test_a_pull_that_stopped_does_not_say_that_nobody_was_due(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """A wrong address on the right server: types are missing, and who is due was never found out."""
    with ehr_process(1) as base:
        status = main(["pull", "--from", base.removesuffix("/fhir"), "--database", f"sqlite:///{tmp_path / 'l.sqlite'}"])
    _, err = capfd.readouterr()

    assert (1, True, False) == (status, "nobody looked at" in err, "nobody due" in err)


def test_a_pull_keeps_answers_only_when_it_is_told_to(url: str, capfd: pytest.CaptureFixture[str]) -> None:
    """`--store`: one answer per patient in the ledger, whom its references name by the address of the record system; again, nothing new."""
    with ehr_process(3) as base:
        pulling = ["pull", "--from", base, "--as-of", "2026-03-02", "--database", url]
        without = (main(pulling), Resources(Ledger(url)).last())
        status = main([*pulling, "--store", "--since", "2000-01-01T00:00:00Z"])
        kept = Resources(Ledger(url)).changes(limit=10_000)
        again = main([*pulling, "--store", "--since", "2000-01-01T00:00:00Z"])

    assert (0, 0) == without
    assert (0, 0) == (status, again)
    assert {f"{base}/Patient/skerrow-{number:05d}" for number in range(1, 4)} == {one.subject for one in kept if one.subject}
    assert len(kept) == Resources(Ledger(url)).last()
    assert "3 × stored\n" in (said := capfd.readouterr().err) and "3 × stored already\n" in said
    assert "skerrow" not in said


def test_a_record_system_that_is_not_there_is_told(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit 1, with the reason and what happens next."""
    monkeypatch.setattr("sural.cli.pull.Manner", lambda concurrency: Manner(concurrency, attempts=1))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        status = main(
            [
                "pull",
                "--from",
                f"http://127.0.0.1:{free.getsockname()[1]}/fhir",
                "--database",
                f"sqlite:///{tmp_path / 'l.sqlite'}",
            ]
        )

    assert 1 == status
    assert "stopped: GET metadata: ConnectError; the next pull goes on there" in capfd.readouterr().err


def test_the_public_keys_are_shown(tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """N8: from the option or from the file that the environment names; never the private part."""
    file = tmp_path / "key.pem"
    file.write_bytes(EC.as_pem(private=True))
    monkeypatch.setenv("SURAL_PULL_KEY_FILE", str(file))

    statuses = [main(["pull", "--show-jwks"]), main(["pull", "--show-jwks", "--key", str(file)])]
    out = capfd.readouterr().out
    half = len(out) // 2

    assert [0, 0] == statuses
    assert out[:half] == out[half:]
    assert {"kty", "crv", "x", "y", "kid", "use", "key_ops", "alg"} == set(orjson.loads(out[:half])["keys"][0])


@pytest.mark.parametrize(
    ("options", "said"),
    [([], "needs --from"), (["--from", "http://ehr.example/fhir"], "only for this machine"), (["--from", "https://e.example", "--scope", "user/*.rs"], "--scope"),
     (["--from", "https://e.example", "--client-id", "c"], "needs --key"), (["--from", "https://e.example", "--patient", "1", "--bulk"], "--patient goes with"),
     (["--from", "https://e.example", "--database", "mysql://x/y"], "SQLite"),
     (["--from", "https://e.example", "--database", "postgresql://127.0.0.1:1/y"], "does not answer"), (["--show-jwks", "--key", "/nowhere"], "/nowhere")],
)  # fmt: skip
def test_what_cannot_be_done_is_said_at_once(options: list[str], said: str, capfd: pytest.CaptureFixture[str]) -> None:
    """In one line on standard error, before anything is sent."""
    assert (1 if said == "does not answer" else 2) == main(["pull", *options])
    assert said in capfd.readouterr().err


def test_the_service_mode_waits_as_long_as_the_server_wants(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """M1: every quarter of an hour; after an hour in Retry-After not before that; `--since` counts for the first pull only."""
    rounds: list[str | None] = []
    waits: list[float] = []

    async def pulled(options: object, order: Order, ledger: object) -> Tally:
        rounds.append(order.since)
        if len(rounds) == 2:
            raise Stopped(Throttled("GET /", status=429, retry_after=3600))
        return Tally(complete=True)

    async def sleep(seconds: float) -> None:
        waits.append(round(seconds))
        if len(waits) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr("sural.cli.pull._pull", pulled)
    monkeypatch.setattr("sural.cli.pull.asyncio.sleep", sleep)
    since = "2026-03-01T00:00:00Z"

    status = main(
        ["pull", "--from", BASE, "--every", "PT15M", "--since", since, "--database", f"sqlite:///{tmp_path / 'l.sqlite'}"]
    )

    assert 130 == status
    assert [since, None, None] == rounds
    assert [900, 3600, 900] == waits


def test_the_service_mode_asks_again_for_what_it_could_not_begin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A server that is away at first: `--since` counts for the first pull that comes through. No server keeps the service away for ever."""
    rounds: list[str | None] = []
    waits: list[float] = []

    async def pulled(options: object, order: Order, ledger: object) -> Tally:
        rounds.append(order.since)
        if len(rounds) == 1:
            raise Stopped(Throttled("GET /", status=429, retry_after=1e12))
        return Tally(complete=False)

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        if len(waits) == 3:
            raise KeyboardInterrupt

    monkeypatch.setattr("sural.cli.pull._pull", pulled)
    monkeypatch.setattr("sural.cli.pull.asyncio.sleep", sleep)
    main(["pull", "--from", BASE, "--every", "PT15M", "--since", "2026-03-01", "--database", f"sqlite:///{tmp_path / 'l.sqlite'}"])

    assert ["2026-03-01", "2026-03-01", None] == rounds
    assert 86_400 == waits[0]


def test_a_server_that_fails_while_proposals_are_followed_stops_the_pull(tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """In words and with status 1: under `--every` the next pull tries again."""

    async def fails(self: object) -> int:
        raise ServerFailed("POST Task/_search", status=500)

    monkeypatch.setattr(Follower, "follow", fails)
    with ehr_process(1) as base:
        status = main(["pull", "--from", base, "--as-of", "2026-03-02", "--store", "--write-back", "--database", f"sqlite:///{tmp_path / 'l.sqlite'}"])

    assert (1, True) == (status, "stopped: POST Task/_search: status 500" in capfd.readouterr().err)


@pytest.mark.parametrize("option", [["--every", "often"], ["--overlap", "-PT5M"], ["--concurrency", "0"], ["--search", "put"]])
def test_malformed_options_are_refused(option: list[str], capfd: pytest.CaptureFixture[str]) -> None:
    """By the parser, with the option's name."""
    with pytest.raises(SystemExit):
        main(["pull", "--from", "https://e.example", *option])
    assert option[0] in capfd.readouterr().err


@pytest.mark.parametrize(
    ("options", "said"),
    [(["--host", "0.0.0.0"], "this machine only"), (["--host", "ehr.example"], "this machine only"), (["--fault", "rain"], "no such fault"),
     (["--fault", "throttle-every=often"], "throttle-every"), (["--client", "c"], "ID=FILE"), (["--client", "c=/nowhere"], "/nowhere")],
)  # fmt: skip
def test_the_fake_ehr_listens_on_this_machine_only(options: list[str], said: str, capfd: pytest.CaptureFixture[str]) -> None:
    """It has no protection worth the name; a switch that does not exist is told."""
    assert 2 == main(["serve", "--fake-ehr", "1", *options])
    assert said in capfd.readouterr().err


def test_faults_are_read_from_options() -> None:
    """Numbers, lists and switches."""
    assert Faults(throttle_every=5, looping_next=True, ignore=("code", "_tag"), slow=0.5, files_need_token=False) == from_options(
        ["throttle-every=5", "looping-next", "ignore=code,_tag", "slow=0.5", "files-need-token=no"]
    )


def test_every_fault_is_on_the_page() -> None:
    """docs/pull.md names each switch of the fake EHR."""
    page = (ROOT / "docs" / "pull.md").read_text(encoding="utf-8")

    assert [] == [name for name in (one.replace("_", "-") for one in Faults.__struct_fields__) if f"| `{name}` |" not in page]
