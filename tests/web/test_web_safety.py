"""Who is let in, and what a browser is told: checked against the server as a client meets it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from stored_runs import whole_run

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytest.importorskip("sse_starlette")

from served_store import TOKEN, Served, served

from orchestrator.adapters.web import app

HOSTILE = "<script>alert('x')</script>\x1b[31m\u202egnihtemos"


class Seen(HTMLParser):
    """What a page is made of, as a parser of HTML sees it."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.attributes: set[str] = set()
        self.scripts: list[dict[str, str | None]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.attributes |= {name for name, _ in attrs}
        if tag == "script":
            self.scripts.append(dict(attrs))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    root = tmp_path_factory.mktemp("hostile")
    whole_run(root, title=HOSTILE, guest='"><img src=x onerror=alert(1)>', id="ferry-1")
    with served(root) as there:
        yield there


@pytest.fixture(scope="module")
def locked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    root = tmp_path_factory.mktemp("locked")
    whole_run(root, id="ferry-1")
    token = root / "token"
    token.write_text(f"{TOKEN}\n")
    with served(root, token_file=token) as there:
        yield there


PATHS = ["/", "/runs/ferry-1", "/runs/ferry-1/body", "/history?cells=*", "/no-such-page", "/runs/none", "/compare"]


@pytest.mark.parametrize("path", PATHS)
def test_every_page_forbids_what_it_does_not_need(page: Served, path: str) -> None:
    headers = page.get(path).headers
    # Directives and their sources as CSP Level 3 (W3C, 6) names them.
    assert headers["content-security-policy"].split("; ") == [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "connect-src 'self'",
        "img-src 'self' data:",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    ]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] == "no-store"
    assert "server" not in headers


@pytest.mark.parametrize("path", PATHS)
def test_hostile_texts_are_shown_and_never_markup(page: Served, path: str) -> None:
    text = page.get(path).text
    assert "<script>alert" not in text
    assert "<img" not in text
    assert "\x1b" not in text
    assert "\u202e" not in text
    seen = Seen(text)
    assert not [name for name in seen.attributes if name.startswith("on") or name == "style"]
    assert seen.names.isdisjoint({"img", "iframe", "object", "embed", "base", "style"}), "the policy would refuse them"
    for script in seen.scripts:
        assert "src" in script or script["type"] == "application/json"


def test_a_title_without_end_leaves_room_for_other_runs(tmp_path: Path) -> None:
    whole_run(tmp_path, id="ferry-1", title="long " * 2000)
    with served(tmp_path) as there:
        assert "(9800 more characters)" in there.get("/").text


def test_what_is_looked_for_comes_back_as_text(page: Served) -> None:
    text = page.get("/?q=%22%3E%3Cscript%3Ealert(1)%3C/script%3E").text
    assert "<script>alert" not in text
    assert "&#34;&gt;&lt;script&gt;alert(1)" in text


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_nothing_can_be_done_but_looking(page: Served, method: str) -> None:
    answer = page.ask(method, "/runs/ferry-1")
    assert answer.status_code == 405
    assert answer.headers["allow"] == "GET, HEAD"  # RFC 9110, 15.5.6: a 405 has it
    assert page.ask("POST", "/login", b"token=x").status_code == 405, "there is nothing to log in to"


def test_a_head_is_answered_as_a_get_without_its_content(page: Served) -> None:
    for path in ("/", "/runs/ferry-1", "/events", "/runs/ferry-1/events"):
        answer = page.ask("HEAD", path)
        assert (answer.status_code, answer.content) == (200, b"")


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("localhost", 200),
        ("localhost:9000", 200),  # a tunnel has a port of its own
        ("localhost:", 200),  # RFC 3986, 3.2.3: a port may be empty
        ("LOCALHOST.", 200),
        ("127.0.0.1:1", 200),
        ("[::1]:80", 200),
        ("evil.example", 421),  # a name that points here: DNS rebinding
        ("evil.example:8017", 421),
        ("127.0.0.1.evil.example", 421),
        ("localhost.evil.example", 421),
        ("192.0.2.7", 421),
        ("", 421),
        ("user@localhost", 421),
        ("localhost/login?", 421),
        ("localhost:80:80", 421),
        ("[::1].evil.example", 421),
    ],
)
def test_a_page_of_another_name_gets_nothing(page: Served, host: str, status: int) -> None:
    answer = page.get("/", host=host)
    assert answer.status_code == status
    assert ("ferry-1" in answer.text) == (status == 200)


@pytest.mark.parametrize(
    ("site", "mode", "dest", "status"),  # values as in Fetch Metadata Request Headers (W3C working draft), section 2
    [
        ("cross-site", "no-cors", "image", 403),
        ("cross-site", "cors", "empty", 403),
        ("cross-site", "navigate", "iframe", 403),
        ("same-site", "no-cors", "script", 403),  # another port of this machine
        ("cross-site", "navigate", "document", 200),  # a link that somebody follows
        ("same-origin", "cors", "empty", 200),
        ("none", "navigate", "document", 200),
    ],
)
def test_the_page_of_another_site_makes_it_do_nothing(
    page: Served, site: str, mode: str, dest: str, status: int
) -> None:
    answer = page.get("/", sec_fetch_site=site, sec_fetch_mode=mode, sec_fetch_dest=dest)
    assert answer.status_code == status
    assert ("ferry-1" in answer.text) == (status == 200)


@pytest.mark.parametrize(
    "path",
    [
        "/runs/..%2f..%2fetc%2fpasswd",
        "/runs/%2e%2e",
        "/runs/%2e",
        "/runs/ferry-1%00",
        "/runs/last",
        "/runs/ferry",  # the beginning of an id names a run on the command line only
        "/runs/baselines",
        "/runs/%2Fetc",
        "/assets/..%2f..%2fserved.py",
        "/assets/../../etc/passwd",
        "/assets/style.css",
        "/assets/",
        "//evil.example/",
        "/history/",  # and no answer leads elsewhere by the scheme that a proxy has taken off
        "http://evil.example/",
        "/runs/%252e%252e%252f",
        "/runs/%ff%fe",
        "/runs/ferry-1/run.json",
        "/runs/ferry-1/../ferry-1/run.json",
    ],
)
def test_no_path_leads_out_of_the_list_of_runs(page: Served, path: str) -> None:
    with page.line() as line:  # sent as it stands: clients tidy paths up before they send them
        line.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        answer = b"".join(iter(lambda: line.recv(65536), b""))
    assert answer.startswith(b"HTTP/1.1 404 ")
    assert b"root:" not in answer
    assert b"Traceback" not in answer


def test_a_run_that_is_not_there_is_answered_in_words(page: Served) -> None:
    answer = page.get("/runs/ferry-9")
    assert answer.status_code == 404
    assert "has no run &#39;ferry-9&#39;" in answer.text
    assert '<a href="/">' in answer.text


def test_what_is_asked_wrongly_is_answered_in_words(page: Served) -> None:
    one = page.get("/compare?run=ferry-1")
    assert (one.status_code, "tick two" in one.text) == (409, True)
    same = page.get("/compare?base=ferry-1&new=ferry-1")
    assert same.status_code == 400
    assert "name each run once" in same.text
    none = page.get("/history?cells=nine-*")
    assert none.status_code == 200
    assert "no cell in" in none.text


def test_assets_are_kept_by_browsers_under_an_address_that_changes_with_them(page: Served) -> None:
    found = set(re.findall(r'(?:href|src)="(/assets/[^"]+)"', page.get("/").text + page.get("/runs/ferry-1").text))
    assert {path.rpartition("/")[2] for path in found} == {"style.css", "library.js", "page.js", "live.js"}
    for path in found:
        answer = page.get(path)
        assert answer.status_code == 200
        assert answer.headers["cache-control"] == "private, max-age=31536000, immutable"  # RFC 8246
        assert answer.headers["content-type"].split(";")[0] in {"text/css", "text/javascript"}
        assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize(
    "path", ["/", "/runs/ferry-1", "/runs/ferry-1/report.html", "/runs/ferry-1/bundle.zip", "/compare"]
)
def test_a_browser_without_the_token_is_led_to_the_form(locked: Served, path: str) -> None:
    answer = locked.get(path, accept="text/html,*/*")
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/login?to={path}"
    assert "ferry" not in answer.text.replace(path, "")


def test_the_form_leads_to_what_was_asked_for_whatever_its_name(locked: Served) -> None:
    asked = "/runs/50%25%3F%23?x=a%26b"
    form = locked.get(locked.get(asked, accept="text/html").headers["location"]).text
    (action,) = re.findall(r'action="([^"]+)"', form)
    assert locked.ask("POST", action, f"token={TOKEN}".encode()).headers["location"] == asked


@pytest.mark.parametrize("path", ["/", "/events", "/runs/ferry-1/events", "/runs/ferry-1/body", "/no-such-page"])
def test_a_program_without_the_token_is_told_how_to_give_it(locked: Served, path: str) -> None:
    for headers in ({}, {"authorization": "Bearer wrong"}, {"authorization": TOKEN}, {"cookie": "trialbed=x"}):
        answer = locked.get(path, **headers)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"] == "Bearer"  # RFC 6750, section 3
    assert locked.get("/", authorization=f"Bearer {TOKEN}").status_code == 200


def test_the_form_needs_its_style_and_nothing_else(locked: Served) -> None:
    form = locked.get("/login?to=/runs/ferry-1")
    assert form.status_code == 200
    assert 'action="/login?to=/runs/ferry-1"' in form.text
    assert "<script" not in form.text
    assert str(Path(locked.url)) not in form.text
    (style,) = re.findall(r'href="(/assets/[^"]+)"', form.text)
    assert locked.get(style).status_code == 200
    assert locked.get(style.replace("style.css", "live.js")).status_code == 401


def test_the_token_gives_a_session_that_tells_nothing_of_it(locked: Served) -> None:
    answer = locked.ask("POST", "/login?to=/runs/ferry-1", f"token={TOKEN}".encode())
    assert (answer.status_code, answer.headers["location"]) == (303, "/runs/ferry-1")
    kept, *facts = answer.headers["set-cookie"].split("; ")
    assert {fact.lower() for fact in facts} == {"httponly", "path=/", "samesite=strict"}  # RFC 6265bis, 4.1.2
    assert TOKEN not in kept
    assert locked.get("/runs/ferry-1", cookie=kept).status_code == 200
    other = locked.ask("POST", "/login", f"token={TOKEN}".encode()).headers["set-cookie"].split(";")[0]
    assert other != kept, "each browser has a session of its own"
    assert locked.get("/", cookie=f"{kept}x", accept="text/html").status_code == 303


@pytest.mark.parametrize("content", [b"token=wrong", b"", b"token=", b"\xff\xfe", b"token=" + b"x" * 100_000])
def test_what_is_not_the_token_gives_nothing(locked: Served, content: bytes) -> None:
    answer = locked.ask("POST", "/login", content)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    assert "That is not the token" in answer.text


def test_a_form_that_does_not_come_whole_is_not_waited_for(locked: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app, "FORM_WITHIN_S", 0.1)
    with locked.line() as line:
        line.sendall(b"POST /login HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\ntok")
        assert line.recv(65536).startswith(b"HTTP/1.1 403 ")


@pytest.mark.parametrize(
    "target", ["//evil.example/", "/\\evil.example", "https://evil.example/", "/%0d%0aX: y", "/login", "javascript:1"]
)
def test_the_form_leads_nowhere_else(locked: Served, target: str) -> None:
    answer = locked.ask("POST", f"/login?to={target}", f"token={TOKEN}".encode())
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


def test_sessions_are_bounded(locked: Served) -> None:
    first = locked.ask("POST", "/login", f"token={TOKEN}".encode()).headers["set-cookie"].split(";")[0]
    for _ in range(64):
        locked.ask("POST", "/login", f"token={TOKEN}".encode())
    assert locked.get("/", cookie=first).status_code == 401
