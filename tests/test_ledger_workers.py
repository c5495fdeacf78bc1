"""Several processes over one PostgreSQL: the feed tells everything once and in its order, and what the database does badly is borne."""

import multiprocessing
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from typing import Any

import pytest
from sqlalchemy import URL, Connection, make_url, text

from sural.ledger import database
from sural.ledger.database import Database, Unavailable
from sural.ledger.resources import Resources, Stored, Write
from sural.ledger.store import Ledger
from tests.databases import database_on

ISOLATIONS = ("read committed", "repeatable read", "serializable")


def device(name: str) -> Write:
    """A resource that is about nobody."""
    identifier = [{"system": "urn:example:skerrow", "value": name}]
    return Write({"resourceType": "Device", "status": "active", "identifier": identifier})


def followed(store: Resources, seen: list[int]) -> list[int]:
    """The numbers seen so far, with those that a follower of the feed sees now."""
    return [*seen, *(one.sequence for one in store.changes(after=seen[-1] if seen else 0))]


@pytest.fixture(params=ISOLATIONS)
def shared(postgresql: URL, request: pytest.FixtureRequest) -> str:
    """A database on a server whose default isolation is one of those that there are."""
    options = f"-c default_transaction_isolation={request.param.replace(' ', chr(92) + ' ')}"
    return make_url(database_on(postgresql)).update_query_dict({"options": options}).render_as_string(hide_password=False)


@pytest.fixture
def one_database(postgresql: URL) -> str:
    return database_on(postgresql)


def closed(*stores: Resources) -> None:
    for store in stores:
        store.database.engine.dispose()


def test_a_writer_that_waited_is_numbered_after_the_one_it_waited_for(shared: str) -> None:
    """Nobody sees a number before all smaller ones are there, whatever the server's default isolation is."""
    one, other, reader = (Resources(Ledger(shared)) for _ in range(3))
    inside, go_on = Event(), Event()

    def slowly(_: Connection) -> list[Write]:
        inside.set()
        assert go_on.wait(10)
        return [device("slow"), device("slow too")]

    with ThreadPoolExecutor(2) as pool:
        slow = pool.submit(one.write, slowly)
        assert inside.wait(10)
        quick = pool.submit(other.write, lambda _: [device("quick")])
        with pytest.raises(TimeoutError):
            quick.result(timeout=0.3)
        before = followed(reader, [])
        go_on.set()
        numbers = [[stored.sequence for stored in each.result(timeout=10)] for each in (slow, quick)]
    after = followed(reader, before)
    closed(one, other, reader)

    assert [] == before
    assert [[1, 2], [3]] == numbers
    assert [1, 2, 3] == after


def write_some(url: str, name: str, count: int) -> None:
    """A process that writes; after each change it makes it changes that once more."""
    store = Resources(Ledger(url))
    for number in range(count):
        (made,) = store.write(lambda _, number=number: [device(f"{name}-{number}")])
        store.write(lambda _, made=made: [Write({**made.resource, "status": "inactive"}, made)])
    closed(store)


def test_who_follows_while_two_processes_write_misses_nothing(one_database: str) -> None:
    """Every number, once and in its order; the instants never go back."""
    store = Resources(Ledger(one_database))
    spawn = multiprocessing.get_context("spawn")
    writers = [spawn.Process(target=write_some, args=(one_database, name, 60)) for name in ("a", "b", "c")]
    seen: list[int] = []
    for writer in writers:
        writer.start()
    while any(writer.is_alive() for writer in writers):
        seen = followed(store, seen)
    seen = followed(store, seen)
    for writer in writers:
        writer.join()
    instants = [one.instant for one in store.changes(limit=1000)]
    closed(store)

    assert [0, 0, 0] == [writer.exitcode for writer in writers]
    assert list(range(1, 361)) == seen
    assert sorted(instants) == instants


def test_a_writer_that_is_stuck_loses_its_turn(one_database: str) -> None:
    """A worker whose machine is gone, or that was halted, does not keep the others from writing; when it wakes it writes too."""
    options = {"options": "-c idle_in_transaction_session_timeout=1s"}
    stuck = Resources(Ledger(make_url(one_database).update_query_dict(options).render_as_string(hide_password=False)))
    other = Resources(Ledger(one_database))
    wake, asked = Event(), Event()

    def halted(_: Connection) -> list[Write]:
        if not asked.is_set():
            asked.set()
            assert wake.wait(20)
        return [device("halted")]

    with ThreadPoolExecutor(1) as pool:
        late = pool.submit(stuck.write, halted)
        assert asked.wait(10)
        made = other.write(lambda _: [device("other")])
        wake.set()
        made += late.result(timeout=20)
    feed = other.changes()
    closed(stuck, other)

    assert [1, 2] == [one.sequence for one in made]
    assert made == feed


def cut(url: str, own: Connection) -> None:
    """End a connection to the database, as a restart of the server does."""
    number = own.scalar(text("select pg_backend_pid()"))
    other = Database(url)
    with other.engine.begin() as connection:
        connection.execute(text("select pg_terminate_backend(:number)"), {"number": number})
    other.engine.dispose()


def test_a_write_whose_connection_is_cut_is_done_again_once(one_database: str) -> None:
    """Before its end: the plan is asked anew."""
    store = Resources(Ledger(one_database))
    asked: list[int] = []

    def plan(connection: Connection) -> list[Write]:
        asked.append(1)
        if len(asked) == 1:
            cut(one_database, connection)
        return [device("once")]

    made = store.write(plan)
    feed = store.changes()
    closed(store)

    assert 2 == len(asked)
    assert made == feed


@pytest.mark.parametrize("state", ["40001", "40P01"])
def test_what_may_go_well_at_once_is_tried_again(one_database: str, state: str) -> None:
    """A serialisation failure and a deadlock: never the client's matter."""
    store = Resources(Ledger(one_database))
    asked: list[int] = []

    def plan(connection: Connection) -> list[Write]:
        asked.append(1)
        if len(asked) < 3:
            connection.execute(text(f"do $$ begin raise exception using errcode = '{state}'; end $$"))
        return [device("once")]

    made = store.write(plan)
    feed = store.changes()
    closed(store)

    assert (3, feed) == (len(asked), made)


def test_who_waits_too_long_is_told(one_database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """For the lock of writers in another process, for the turn in this one, and for a connection."""
    monkeypatch.setattr(database, "PATIENCE", 0.2)
    monkeypatch.setattr(database, "POOL", {"pool_size": 1, "max_overflow": 0, "pool_timeout": 0.2})
    options = {"options": "-c lock_timeout=200ms"}
    store = Resources(Ledger(make_url(one_database).update_query_dict(options).render_as_string(hide_password=False)))
    other = Resources(Ledger(one_database))

    def write() -> list[Stored]:
        return store.write(lambda _: [device("late")])

    with other.database.writing(), pytest.raises(Unavailable):
        write()
    with store.database.reading(), pytest.raises(Unavailable, match="no connection"):
        write()
    with store.database.writing(), ThreadPoolExecutor(1) as pool, pytest.raises(Unavailable, match="others write"):
        pool.submit(write).result()
    made = write()
    closed(store, other)

    assert [1] == [one.sequence for one in made]


@pytest.mark.parametrize("stored", [True, False])
def test_a_write_whose_end_was_not_heard_is_not_done_twice(
    one_database: str, stored: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The connection is cut just after or just before the transaction ends; either way it is there once."""
    store = Resources(Ledger(one_database))
    ended: list[bool] = []
    dialect = store.database.engine.dialect
    commit = dialect.do_commit

    def cutting(connection: Any) -> None:
        if not ended:
            ended.append(stored)
            if stored:
                commit(connection)
            connection.dbapi_connection.close()
        commit(connection)

    monkeypatch.setattr(dialect, "do_commit", cutting)
    made: list[Stored] = store.write(lambda _: [device("one"), Write({"resourceType": "Device", "status": "active"})])
    feed = store.changes()
    closed(store)

    assert [stored] == ended
    assert made == feed
    assert 2 == len(feed)
