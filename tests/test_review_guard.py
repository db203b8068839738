"""Only who holds the address is let in: token, Host, Origin, no file but the page's own."""

from __future__ import annotations

import http.client
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from review_page import Server, served, small_job

from tilepipe.review.serve import WARNING


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with served(small_job(tmp_path_factory.mktemp("guard"))) as server:
        yield server


def asked(server: Server, path: str, method: str = "GET", headers: dict[str, str] | None = None) -> http.client.HTTPResponse:
    """A raw request; `path` begins with the server's root, {token} stands for the token."""
    place = urlsplit(server.address)
    line = http.client.HTTPConnection(place.hostname or "", place.port, timeout=30)
    body = b"{}" if method == "POST" else None
    line.request(method, path.replace("{token}", place.path.strip("/")), headers=headers or {}, body=body)
    answer = line.getresponse()
    answer.read()
    line.close()
    return answer


def test_it_listens_on_loopback_only(server: Server) -> None:
    assert urlsplit(server.address).hostname == "127.0.0.1"
    assert len(urlsplit(server.address).path.strip("/")) >= 32
    assert "{address}" in WARNING


def test_without_the_token_there_is_nothing(server: Server) -> None:
    for path in ("/", "/state", "/wrong/state", "/page.js", "/{token}x/state"):
        assert asked(server, path).status == 404, path
    assert asked(server, "/{token}/state").status == 200


def test_another_host_or_origin_is_refused(server: Server) -> None:
    assert asked(server, "/{token}/state", headers={"Host": "evil.example"}).status == 421
    assert asked(server, "/{token}/state", headers={"Origin": "http://evil.example"}).status == 403
    assert asked(server, "/{token}/act", "POST").status == 403
    assert asked(server, "/{token}/act", "POST", {"Origin": "null"}).status == 403


def test_no_path_leads_out_of_the_page(server: Server) -> None:
    for path in ("../pyproject.toml", "..%2f..%2fetc%2fpasswd", "%2e%2e/routes.py", "routes.py"):
        assert asked(server, "/{token}/" + path).status == 404, path


def test_pages_may_load_nothing_from_elsewhere(server: Server) -> None:
    policy = asked(server, "/{token}/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    page = Path(__file__).resolve().parent.parent / "tilepipe" / "review" / "page"
    for file in page.iterdir():
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http://" not in text, file.name
        assert "https://" not in text, file.name


def test_what_is_wrongly_asked_is_refused_with_words(server: Server) -> None:
    while server.ask("state")["busy"]:
        time.sleep(0.1)
    assert asked(server, "/{token}/tile?view=nothing&row=0&column=0&level=0&stamp=x").status == 400
    assert asked(server, "/{token}/layer?kind=nothing").status == 400
    assert asked(server, "/{token}/mask?name=nothing").status == 400
