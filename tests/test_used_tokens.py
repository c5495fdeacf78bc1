"""A token of a CDS client is taken once: by one worker of several, before and after a restart, on SQLite and on PostgreSQL.

Source: CDS Hooks 2, "Trusting CDS Clients" (`jti`). Rules: interop O8.
"""

import json
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import orjson
import pytest
from fastapi.testclient import TestClient
from joserfc import jwt
from joserfc.jwk import KeySet, RSAKey
from sqlalchemy import func, select

from sural.ledger.database import Database
from sural.ledger.store import Ledger
from sural.ledger.tables import USED_TOKEN
from sural.ledger.used_tokens import UsedTokens
from sural.web.app import create_app
from sural.web.settings import CdsClient, Settings

BASE, EHR, CDS = "https://foot.skerrow.example", "https://ehr.skerrow.example", "/cds-services/lower-limb-assessment"
KEY = RSAKey.generate_key(2048, {"kid": "k"})
NOON = 1_800_000_000.0


@pytest.fixture
def worker(tmp_path: Path) -> Callable[[str], TestClient]:
    """Starts one over a ledger."""
    (tmp_path / "jwks.json").write_text(json.dumps(KeySet([KEY]).as_dict(private=False)), encoding="utf-8")
    settings = Settings(BASE, cds_clients=(CdsClient(EHR, str(tmp_path / "jwks.json")),))
    return lambda url: TestClient(create_app(settings=settings, database=url), raise_server_exceptions=False)


def token(id: str) -> str:
    now = int(time.time())
    claims = {"iss": EHR, "aud": BASE + CDS, "jti": id, "exp": now + 300, "iat": now}
    return jwt.encode({"alg": "RS384", "kid": "k"}, claims, KEY, algorithms=["RS384"])


def status(client: TestClient, bearer: str) -> int:
    """Of a request that is let in and then found wanting (400), or not let in (401)."""
    return client.post(CDS, content=b"{}", headers={"content-type": "application/json", "authorization": f"Bearer {bearer}"}).status_code


def rows(database: Database) -> int:
    with database.reading() as connection:
        return int(connection.scalar(select(func.count()).select_from(USED_TOKEN)) or 0)


def test_a_token_that_one_worker_took_is_taken_by_no_other(worker: Callable[[str], TestClient], url: str) -> None:
    """Nor by one that was started afterwards; another token is."""
    one, other = worker(url), worker(url)
    used = token("first")

    assert [400, 401, 401] == [status(client, used) for client in (one, other, one)]
    assert [401, 400] == [status(worker(url), given) for given in (used, token("second"))]


def test_of_many_at_the_same_moment_one_is_let_in(worker: Callable[[str], TestClient], url: str) -> None:
    """The key of the table decides: sixteen requests with one token at two workers."""
    workers, used = [worker(url), worker(url)], token("once")
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda number: status(workers[number % 2], used), range(16)))

    assert [400, *[401] * 15] == sorted(found)


def test_without_a_ledger_each_process_remembers_its_own(worker: Callable[[str], TestClient]) -> None:
    """`sqlite://` outlives nothing: what is used in one is new to another."""
    one, other, used = worker("sqlite://"), worker("sqlite://"), token("own")

    assert [400, 401, 400] == [status(client, used) for client in (one, one, other)]


def test_an_id_is_new_again_when_its_token_has_expired(url: str) -> None:
    """Not a second before, and with each issuer for itself; what has expired is removed."""
    now = [NOON]
    used = UsedTokens(Ledger(url).database, lambda: now[0])
    first = [used.use(EHR, "a", NOON + 60), used.use(EHR, "a", NOON + 60), used.use(BASE, "a", NOON + 60), used.use(EHR, "b", NOON + 600)]
    now[0] = NOON + 59
    before = used.use(EHR, "a", NOON + 120)
    now[0] = NOON + 61.5
    after = used.use(EHR, "a", NOON + 180)

    assert ([True, False, True, True], False, True) == (first, before, after)
    assert 2 == rows(Ledger(url).database)


def test_what_has_expired_is_new_though_nobody_removed_it(url: str) -> None:
    """Another process may have looked a second ago."""
    now = [NOON]
    used = UsedTokens(Ledger(url).database, lambda: now[0])
    assert used.use(EHR, "a", NOON + 10)
    now[0] = NOON + 20

    assert [True, False] == [used.use(EHR, "a", NOON + 30) for _ in range(2)]


def test_ids_of_any_length_and_kind_are_told_apart(url: str) -> None:
    """Longer than a key of a database may be, with characters that it does not take; issuer and id never run into each other."""
    used = UsedTokens(Ledger(url).database)
    ids: list[tuple[str, str]] = [("i", "x" * 10_000), ("i", "x" * 9_999), ("i", "\0"), ("i a", "b"), ("i", "a b")]

    assert [True] * 5 + [False] * 5 == [used.use(issuer, id, time.time() + 60) for issuer, id in (*ids, *ids)]


def test_nothing_of_a_token_is_kept(url: str) -> None:
    """A digest, and until when."""
    database = Ledger(url).database
    UsedTokens(database).use(EHR, "jti-in-clear", NOON * 2)
    with database.reading() as connection:
        ((digest, until),) = connection.execute(select(USED_TOKEN)).all()

    assert (32, NOON * 2 + 1) == (len(digest), until)
    assert EHR.encode() not in bytes(digest) and b"jti" not in bytes(digest)


def test_a_token_does_not_wait_for_a_writer_on_postgresql(url: str) -> None:
    """Who stores holds the lock of writers; a card is asked for meanwhile. SQLite has one lock for all."""
    database = Ledger(url).database
    if database.is_sqlite:
        pytest.skip("SQLite: one writer at a time, whatever it writes")
    with database.writing():
        assert UsedTokens(Ledger(url).database).use(EHR, "a", time.time() + 60)


def test_a_database_that_is_away_lets_nobody_in(worker: Callable[[str], TestClient]) -> None:
    """503 and not a card: whether the token is new cannot be known."""
    found = worker("postgresql://127.0.0.1:1/none").post(
        CDS, content=orjson.dumps({}), headers={"content-type": "application/json", "authorization": f"Bearer {token('x')}"}
    )
    content: dict[str, Any] = found.json()

    assert (503, "2", "ledger-unavailable") == (found.status_code, found.headers["retry-after"], content["issue"][0]["details"]["coding"][0]["code"])
