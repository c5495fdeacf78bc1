"""What can go wrong with a record system, as a small tree.

RecordsFault
├── HostRefused        an address on a host that is not allowed; nothing was sent
├── Unreachable        no connection, or no answer in time                              (may pass)
├── Throttled          429, or 503 with Retry-After; `retry_after` in seconds           (may pass)
├── ServerFailed       any other 5xx                                                    (may pass)
├── NotAuthorised      401, 403, or a token that cannot be had
├── NotThere           404, 410
├── Declined           any other 4xx: `status` and `codes` say which and why
└── Unreadable         the answer is not what FHIR says it is: type, size, form, paging

A message holds the method, the address with every id and parameter left out, the status and the issue codes of the OperationOutcome:
never a value, an identifier, or a server's own words, which may hold any of these.
"""


class RecordsFault(Exception):
    """A request to a record system that failed. `passing`: whether it may work later, unchanged."""

    passing = False

    def __init__(self, route: str, what: str = "", *, status: int | None = None, codes: tuple[str, ...] = ()) -> None:
        said = [what or (f"status {status}" if status else type(self).__name__), *([", ".join(codes)] if codes else [])]
        super().__init__(f"{route}: {': '.join(said)}")
        self.route = route
        self.status = status
        self.codes = codes


class HostRefused(RecordsFault):
    """An address on a host that is neither the record system's nor on the list of allowed hosts."""


class Unreachable(RecordsFault):
    """No connection, or no answer in time."""

    passing = True


class ServerFailed(RecordsFault):
    """The server failed (5xx)."""

    passing = True


class Throttled(ServerFailed):
    """The server asks for patience: 429, or 503 with Retry-After."""

    def __init__(self, route: str, *, status: int, codes: tuple[str, ...] = (), retry_after: float | None = None) -> None:
        super().__init__(route, status=status, codes=codes)
        self.retry_after = retry_after


class NotAuthorised(RecordsFault):
    """No right to do this (401, 403), or no token to be had."""


class NotThere(RecordsFault):
    """Nothing under this address, or no more (404, 410)."""


class Declined(RecordsFault):
    """The server does not take this request (any other 4xx)."""


class Unreadable(RecordsFault):
    """The answer is not what FHIR says it is."""


def of_status(route: str, status: int, codes: tuple[str, ...], retry_after: float | None) -> RecordsFault:
    """The fault for an HTTP status of 400 or more."""
    if status == 429 or (status == 503 and retry_after is not None):
        return Throttled(route, status=status, codes=codes, retry_after=retry_after)
    if status >= 500:
        return ServerFailed(route, status=status, codes=codes)
    kinds = {401: NotAuthorised, 403: NotAuthorised, 404: NotThere, 410: NotThere}
    return kinds.get(status, Declined)(route, status=status, codes=codes)
