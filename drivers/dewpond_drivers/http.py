"""Relay boards that obey plain HTTP: an address for on, one for off, and one that tells the state."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPSConnection
from pathlib import Path
from typing import ClassVar
from urllib.parse import urlsplit

from dewpond_drivers.driver import DriverFault, DriverRefused, DriverUnreachable
from dewpond_drivers.faults import reaching, switch_each_off
from dewpond_drivers.resources import url_places
from dewpond_drivers.templates import fill, names_outputs, read_secret, switch_word

MOST_ANSWER_BYTES = 65_536
PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True, slots=True, kw_only=True)
class HttpSettings:
    """Addresses and bodies may hold ``{output}`` (from 1), ``{index}`` (from 0) and, where timed, ``{seconds}``.

    ``state_pointer`` is a JSON pointer into the answer of ``state_url``, "" the whole answer as text. ``timed_url`` is
    for boards that switch off by themselves. Send passwords only where nobody can listen, or use https.
    """

    on_url: str
    off_url: str
    state_url: str = ""
    timed_url: str = ""
    on_body: str = ""
    off_body: str = ""
    timed_body: str = ""
    method: str = "POST"
    state_pointer: str = ""
    state_on: str = "true"
    state_off: str = "false"
    headers: dict[str, str] = field(default_factory=dict)
    username: str = ""
    password_file: Path | None = None
    timeout_s: float = 1.0

    def problems(self, _outputs: int) -> list[str]:
        problems = []
        for key in ("on_url", "off_url", "state_url", "timed_url"):
            url = getattr(self, key)
            if url and (urlsplit(url).scheme not in ("http", "https") or not urlsplit(url).hostname):
                problems.append(f'{key} "{url}" must begin with http:// or https:// and a host; correct the address')
            if urlsplit(url).username or urlsplit(url).password:
                problems.append(f"{key} must not hold a user or password; give username and password_file instead")
        for action in ("on", "off"):
            if not names_outputs(getattr(self, f"{action}_url") + getattr(self, f"{action}_body")):
                problems.append(
                    f"{action}_url or {action}_body must hold {{output}} or {{index}}; else all are the same"
                )
        if self.timed_url and "{seconds}" not in self.timed_url + self.timed_body:
            problems.append("timed_url or timed_body must hold {seconds}; say where the time goes")
        if self.method not in ("GET", "POST", "PUT"):
            problems.append(f'method "{self.method}" must be GET, POST or PUT; see the board\'s manual')
        if not 0.05 <= self.timeout_s <= 1.5:
            problems.append(f"timeout_s ({self.timeout_s}) must be 0.05 to 1.5, for the keeper waits 5 s in all")
        return problems

    def resources(self, outputs: int) -> list[str]:
        """The address that switches each output on."""
        urls = {output: urlsplit(fill(self.on_url, output)) for output in range(1, outputs + 1)}
        places = {url.netloc: url_places(url.geturl(), PORTS) for url in urls.values()}
        return [
            f"http {place}{url.path or '/'}?{url.query} {fill(self.on_body, output)}"
            for output, url in urls.items()
            for place in places[url.netloc]
        ]


class HttpDriver:
    """One request for each switching and for each look; no connection is kept."""

    Settings: ClassVar[type[HttpSettings]] = HttpSettings
    holds_when_cut_off: ClassVar[bool | None] = None

    def __init__(self, settings: HttpSettings, outputs: int) -> None:
        self._settings = settings
        self._outputs = outputs
        self._connected = False
        self.timed_on = bool(settings.timed_url)

    def connect(self) -> None:
        self._connected = True
        try:
            self.all_off()
        except DriverFault:
            self._connected = False
            raise

    def set_output(self, output: int, on: bool) -> None:
        settings = self._settings
        url, body = (settings.on_url, settings.on_body) if on else (settings.off_url, settings.off_body)
        self._ask(settings.method, fill(url, output), fill(body, output))

    def open_for(self, output: int, seconds: float) -> None:
        settings = self._settings
        self._ask(
            settings.method, fill(settings.timed_url, output, seconds), fill(settings.timed_body, output, seconds)
        )

    def all_off(self) -> None:
        switch_each_off(self.set_output, self._outputs)

    def read_back(self) -> Mapping[int, bool | None]:
        """One look for all where the address is the same for all outputs."""
        outputs = range(1, self._outputs + 1)
        if not self._settings.state_url:
            return dict.fromkeys(outputs)
        answers: dict[str, str] = {}
        states: dict[int, bool | None] = {}
        for output in outputs:
            url = fill(self._settings.state_url, output)
            if url not in answers:
                answers[url] = self._ask("GET", url, "")
            pointer = fill(self._settings.state_pointer, output)
            states[output] = switch_word(answers[url], pointer, self._settings.state_on, self._settings.state_off)
        return states

    def close(self) -> None:
        if self._connected:
            try:
                self.all_off()
            except DriverFault:
                self._connected = False  # nobody is there to be told
        self._connected = False

    def _ask(self, method: str, url: str, body: str) -> str:
        if not self._connected:
            raise DriverUnreachable("the board is not connected")
        parts = urlsplit(url)
        place = f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}"
        with reaching(place):
            kind = HTTPSConnection if parts.scheme == "https" else HTTPConnection
            link = kind(parts.hostname or "", parts.port, timeout=self._settings.timeout_s)
            try:
                target = parts.path or "/"
                link.request(
                    method, f"{target}?{parts.query}" if parts.query else target, body or None, self._headers()
                )
                answer = link.getresponse()
                text = answer.read(MOST_ANSWER_BYTES).decode("utf-8", "replace")
            finally:
                link.close()
        if 200 <= answer.status < 300:
            return text
        kind_of_fault = DriverUnreachable if answer.status >= 500 else DriverRefused
        raise kind_of_fault(f"{place} answers {answer.status} {answer.reason}")

    def _headers(self) -> dict[str, str]:
        headers = {"Connection": "close", **self._settings.headers}
        if self._settings.username:
            secret = f"{self._settings.username}:{read_secret(self._settings.password_file)}"
            headers["Authorization"] = "Basic " + base64.b64encode(secret.encode()).decode()
        return headers
