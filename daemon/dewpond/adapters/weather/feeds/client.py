"""A polite HTTP client for weather services: asks seldom, says who it is, keeps what it got, and backs off.

Rules it keeps: no request before ``Expires`` (or ``max-age``, ``Retry-After``); afterwards a conditional one with the
former ``Last-Modified`` and ``ETag`` texts exactly; one request in flight; time-outs; a back-off that doubles up to
a ceiling; a fixed offset per installation, so that many installations do not ask at the same second.
Body, times and validators are kept in a folder and outlive a restart.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import threading
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dewpond.ports import Clock

if TYPE_CHECKING:
    import requests

CONNECT_TIMEOUT_S = 10.0
READ_TIMEOUT_S = 30.0
MOST_BYTES = 8_000_000
# Without a word of the server an answer is fresh this long. Common practice, no source: models run a few times a day.
FRESH_S = 3600.0
# A stale answer is used with more caution; beyond this age it is not used at all. Common practice, no source.
EXPIRED_S = 36 * 3600.0
FIRST_BACK_OFF_S = 60.0
MOST_BACK_OFF_S = 6 * 3600.0
MOST_OFFSET_S = 600.0
# No server's word binds longer: the wall clock may have been wrong when it was read.
MOST_WAIT_S = 2 * 86400.0
# What a service means when it does not like this caller, or is asked too often: the least wait without its own word.
LEAST_WAIT_S = {403: 3600.0, 429: 600.0}


class Age(StrEnum):
    """How far an answer may be trusted."""

    FRESH = "fresh"
    STALE = "stale"  # use, mark, be more careful
    EXPIRED = "expired"  # do not use


class ContactMissingError(ValueError):
    """Raised when the service would be asked without saying whom it may write to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What is known of one address now: ``body`` None without a usable answer, ``fault`` what went wrong last."""

    age: Age
    body: bytes | None = None
    fetched_at: datetime | None = None
    next_request_at: datetime
    fault: str = ""
    notice: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """What the folder remembers of one address. Times are seconds since 1970-01-01 UTC."""

    body: str | None = None
    fetched_s: float = 0.0
    fresh_until_s: float = 0.0
    not_before_s: float = 0.0
    last_modified: str = ""
    etag: str = ""
    failures: int = 0
    fault: str = ""
    notice: str = ""


class PoliteClient:
    """Fetches documents of weather services. Safe from several threads; they then wait for each other.

    ``contact`` is an address or page by which the service can reach whoever runs this installation; ``installation``
    is any text that differs between installations.
    """

    def __init__(
        self,
        folder: Path,
        clock: Clock,
        *,
        contact: str,
        version: str,
        installation: str,
        session: requests.Session | None = None,
        expired_s: float = EXPIRED_S,
    ) -> None:
        if not contact.strip():
            raise ContactMissingError(
                "weather client: no contact is set; weather services refuse callers they cannot write to, "
                "set an e-mail address or a web page"
            )
        self._folder = folder
        self._clock = clock
        self._agent = f"dewpond/{version} ({contact.strip()})"
        self._offset_s = steady_offset_s(installation)
        self._session = session
        self._expired_s = expired_s
        self._in_flight = threading.Lock()
        self._kept: dict[Path, _Kept] = {}

    def get(self, url: str, query: Mapping[str, Any]) -> Answer:
        """The document at this address: kept while it may not be asked for, else asked for. Never raises for a fault.

        Blocks up to the time-outs, so call it from a worker thread.
        """
        with self._in_flight:
            path = self._folder / _file_name(url, query)
            now_s = self._clock.now().wall.timestamp()
            kept = _believable(self._kept.get(path) or _load(path), now_s)
            if now_s >= kept.not_before_s:
                kept = self._ask(url, query, kept, now_s)
                self._kept[path] = kept = _save(path, kept)
            return self._answer(kept, now_s)

    def _answer(self, kept: _Kept, now_s: float) -> Answer:
        next_at = datetime.fromtimestamp(kept.not_before_s, UTC)
        if kept.body is None or now_s - kept.fetched_s > self._expired_s:
            return Answer(age=Age.EXPIRED, next_request_at=next_at, fault=kept.fault, notice=kept.notice)
        return Answer(
            age=Age.FRESH if now_s <= kept.fresh_until_s else Age.STALE,
            body=kept.body.encode(),
            fetched_at=datetime.fromtimestamp(kept.fetched_s, UTC),
            next_request_at=next_at,
            fault=kept.fault,
            notice=kept.notice,
        )

    def _ask(self, url: str, query: Mapping[str, Any], kept: _Kept, now_s: float) -> _Kept:
        import requests  # noqa: PLC0415 - only sites with an online feed pay for it

        session = self._session or requests.Session()
        try:
            with session.get(
                url,
                params=dict(query),
                headers=self._headers(kept),
                timeout=(CONNECT_TIMEOUT_S, READ_TIMEOUT_S),
                stream=True,
            ) as response:
                return self._taken(response, kept, now_s)
        except requests.RequestException as error:
            return self._failed(kept, now_s, f"no answer ({_short(error)})")

    def _headers(self, kept: _Kept) -> dict[str, str]:
        headers = {"User-Agent": self._agent, "Accept": "application/json", "Accept-Encoding": "gzip"}
        if kept.body is not None and kept.last_modified:
            headers["If-Modified-Since"] = kept.last_modified
        if kept.body is not None and kept.etag:
            headers["If-None-Match"] = kept.etag
        return headers

    def _taken(self, response: requests.Response, kept: _Kept, now_s: float) -> _Kept:
        status = response.status_code
        if status == 304 and kept.body is not None:
            return self._waiting(replace(kept, fetched_s=now_s, failures=0, fault=""), response, now_s)
        if status not in (200, 203):
            wait_s = _retry_after_s(response, now_s) or LEAST_WAIT_S.get(status, 0.0)
            return self._failed(kept, now_s, f"answered {status}{_meaning(status)}", wait_s)
        body = _limited(response)
        if body is None:
            return self._failed(kept, now_s, f"sent no text, or more than {MOST_BYTES} bytes")
        news = _Kept(
            body=body,
            fetched_s=now_s,
            last_modified=response.headers.get("Last-Modified", ""),
            etag=response.headers.get("ETag", ""),
            notice="the service says that this product will be withdrawn" if status == 203 else "",
        )
        return self._waiting(news, response, now_s)

    def _waiting(self, kept: _Kept, response: requests.Response, now_s: float) -> _Kept:
        """The answer with its times: fresh as long as the server says, asked again a steady offset later."""
        fresh_s = min(max(1.0, _fresh_s(response, now_s)), MOST_WAIT_S)
        wait_s = max(fresh_s, _retry_after_s(response, now_s) or 0.0)
        return replace(kept, fresh_until_s=now_s + fresh_s, not_before_s=math.ceil(now_s + wait_s + self._offset_s))

    def _failed(self, kept: _Kept, now_s: float, why: str, wait_s: float = 0.0) -> _Kept:
        back_off_s = min(FIRST_BACK_OFF_S * 2.0**kept.failures, MOST_BACK_OFF_S)
        back_off_s += self._offset_s * back_off_s / MOST_BACK_OFF_S
        return replace(
            kept,
            failures=min(kept.failures + 1, 30),
            fault=why,
            not_before_s=math.ceil(now_s + min(max(back_off_s, wait_s), MOST_WAIT_S)),
        )


def steady_offset_s(installation: str) -> float:
    """An offset of 0 to 600 s that differs between installations and never changes for one of them. [s]"""
    digest = hashlib.sha256(installation.encode()).digest()
    return float(int.from_bytes(digest[:4], "big") % int(MOST_OFFSET_S))


def rounded_place(latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    """Coordinates with at most four decimals (about 10 m): services refuse more, and it keeps their caches useful."""
    return round(latitude_deg, 4), round(longitude_deg, 4)


def openmeteo_request(
    base_url: str, latitude_deg: float, longitude_deg: float, timezone: str, past_days: int
) -> tuple[str, dict[str, Any]]:
    """Address and query for hourly rain, probability and reference ET of the past and the coming days."""
    latitude, longitude = rounded_place(latitude_deg, longitude_deg)
    return base_url.rstrip("/") + "/v1/forecast", {
        "latitude": latitude,
        "longitude": longitude,
        "hourly": "precipitation,precipitation_probability,et0_fao_evapotranspiration",
        "timezone": timezone,
        "past_days": past_days,
        "forecast_days": 7,
    }


def met_norway_request(
    base_url: str, latitude_deg: float, longitude_deg: float, elevation_m: float
) -> tuple[str, dict[str, Any]]:
    """Address and query for the complete forecast, which has the probability of rain."""
    latitude, longitude = rounded_place(latitude_deg, longitude_deg)
    path = "/weatherapi/locationforecast/2.0/complete"
    return base_url.rstrip("/") + path, {"lat": latitude, "lon": longitude, "altitude": round(elevation_m)}


def _file_name(url: str, query: Mapping[str, Any]) -> str:
    name = json.dumps([url, sorted((key, str(value)) for key, value in query.items())])
    return f"{hashlib.sha256(name.encode()).hexdigest()[:24]}.json"


def _load(path: Path) -> _Kept:
    """What the folder remembers; a damaged file counts as nothing remembered."""
    try:
        return _Kept(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return _Kept()


def _save(path: Path, kept: _Kept) -> _Kept:
    """Write what is kept; where the disk will not, it lives in memory and says so."""
    written = path.with_suffix(".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        written.write_text(json.dumps(asdict(kept)), encoding="utf-8")
        written.replace(path)
    except OSError as error:
        return replace(kept, fault=kept.fault or f"the answer could not be kept on disk ({error.strerror})")
    return kept


def _believable(kept: _Kept, now_s: float) -> _Kept:
    """Forgets what was kept under a clock that has been set back since."""
    from_the_future = kept.fetched_s > now_s + 3600.0 or kept.not_before_s > now_s + MOST_WAIT_S + MOST_OFFSET_S
    return _Kept() if from_the_future else kept


def _limited(response: requests.Response) -> str | None:
    """The body as text; None when it is too long or no UTF-8."""
    parts: list[bytes] = []
    length = 0
    for part in response.iter_content(65536):
        parts.append(part)
        length += len(part)
        if length > MOST_BYTES:
            return None
    try:
        return b"".join(parts).decode()
    except UnicodeDecodeError:
        return None


def _fresh_s(response: requests.Response, now_s: float) -> float:
    """How long the answer is fresh: ``Cache-Control: max-age`` before ``Expires``, else an hour. [s]

    Expires is read against the server's own Date, so that a wrong clock here does no harm.
    """
    seconds = re.search(r"max-age=(\d+)", response.headers.get("Cache-Control", ""))
    if seconds:
        return float(seconds.group(1))
    expires_s = _http_time_s(response.headers.get("Expires", ""))
    if expires_s is None:
        return FRESH_S
    return expires_s - (_http_time_s(response.headers.get("Date", "")) or now_s)


def _retry_after_s(response: requests.Response, now_s: float) -> float | None:
    text = response.headers.get("Retry-After", "").strip()
    at_s = _http_time_s(text)
    wait_s = float(text) if text.isdigit() else None if at_s is None else at_s - now_s
    return None if wait_s is None else min(max(0.0, wait_s), MOST_WAIT_S)


def _http_time_s(text: str) -> float | None:
    try:
        return parsedate_to_datetime(text).timestamp()
    except (TypeError, ValueError):
        return None


def _meaning(status: int) -> str:
    return {
        403: " (the service does not accept this caller; check the contact)",
        404: " (there is no such product or place)",
        429: " (asked too often)",
    }.get(status, "")


def _short(error: Exception) -> str:
    """The kind of trouble; the text of a request error repeats the whole address."""
    return type(error).__name__
