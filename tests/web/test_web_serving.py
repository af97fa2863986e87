"""How a page is served: addresses, names, tokens and certificates, and one clear message where that cannot be."""

from __future__ import annotations

import os
import shutil
import socket
import ssl
import subprocess
import sys
from pathlib import Path

import pytest

httpx = pytest.importorskip("httpx")
pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytest.importorskip("sse_starlette")

from served_store import TOKEN, served

from orchestrator.cli.serving import tell_defect
from orchestrator.errors import InputError
from orchestrator.wiring.serving import Wish, serving

EVERYWHERE = "0.0.0.0"  # noqa: S104 - with a token


def refused(**wishes: object) -> str:
    with pytest.raises(InputError) as caught:
        serving(Wish("results", **wishes), lambda _: None, lambda _: None)  # type: ignore[arg-type]
    assert caught.value.exit_status == 2
    return str(caught.value)


def test_beyond_loopback_there_is_a_token_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TRIALBED_WEB_TOKEN", raising=False)
    assert "so the page needs a token; set TRIALBED_WEB_TOKEN, or give --token-file" in refused(address=EVERYWHERE)
    monkeypatch.setenv("TRIALBED_WEB_TOKEN", "short")
    assert (
        "TRIALBED_WEB_TOKEN: a token is a line of at least 16 characters, all of them ASCII, and this one has 5"
        in refused()
    )
    (tmp_path / "token").write_text("one line\nand another one\n")
    assert "--token-file: a token is a line" in refused(token_file=tmp_path / "token")
    (tmp_path / "token").write_text("über-den-fluss-und-zurück")
    assert "at least 16 characters, all of them ASCII" in refused(token_file=tmp_path / "token")
    assert "cannot be read: No such file" in refused(token_file=tmp_path / "none")
    monkeypatch.setenv("TRIALBED_WEB_TOKEN", "")
    assert "and this one has 0" in refused(), "an empty one is none that was meant"
    monkeypatch.delenv("TRIALBED_WEB_TOKEN")
    assert "a key without a certificate" in refused(key=tmp_path / "key.pem")


def test_beyond_loopback_it_says_that_the_token_can_be_read_on_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TRIALBED_WEB_TOKEN", TOKEN)
    with served(tmp_path, address=EVERYWHERE, names=("runs.example",)) as there:
        assert "plain HTTP, so the token can be read on the way" in there.remarks[1]
        authorization = f"Bearer {TOKEN}"
        for host, status in (
            ("192.0.2.7", 200),
            ("runs.example", 200),
            (socket.gethostname(), 200),
            ("x.example", 421),
        ):
            assert there.get("/", host=host, authorization=authorization).status_code == status
        assert there.get("/", host="192.0.2.7").status_code == 401


def test_an_address_that_cannot_be_had_is_one_message_with_what_to_do() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert (
            refused(port=port) == f"--port: {port} is in use on 127.0.0.1; give another one, or 0 for any that is free"
        )
    assert "192.0.2.7 is not an address of this machine" in refused(address="192.0.2.7")
    assert "is no address that this machine knows" in refused(address="no.such.name.invalid")


@pytest.mark.parametrize("name", ["https://runs.example", "runs.example:443", "runs.example/", "", "a b", "*"])
def test_a_name_that_no_browser_sends_is_refused(name: str) -> None:
    assert "is no name of a host; give it without https://, port and path" in refused(names=("runs.example", name))


def test_a_token_that_others_can_read_is_told_of(tmp_path: Path) -> None:
    token = tmp_path / "the token"
    token.write_text(TOKEN)
    for mode, told in ((0o600, []), (0o640, [f"chmod 600 '{token}'"]), (0o604, [f"chmod 600 '{token}'"])):
        token.chmod(mode)
        with served(tmp_path, token_file=token) as there:
            assert [remark.partition(": ")[2] for remark in there.remarks[1:]] == told


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate for loopback that vouches for itself, with its key in another file."""
    program = shutil.which("openssl")
    if program is None:
        pytest.skip("there is no openssl here")
    folder = tmp_path_factory.mktemp("certificate")
    kind = ["-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"]
    whose = ["-subj", "/CN=runs.example", "-addext", "subjectAltName=IP:127.0.0.1"]
    files = ["-keyout", str(folder / "key.pem"), "-out", str(folder / "page.pem")]
    subprocess.run([program, "req", *kind, *whose, *files], check=True, capture_output=True)
    return folder / "page.pem"


def test_with_a_certificate_all_is_encrypted_and_a_session_stays_so(tmp_path: Path, certificate: Path) -> None:
    token = tmp_path / "token"
    token.write_text(TOKEN)
    key = certificate.with_name("key.pem")
    with served(tmp_path, certificate=certificate, key=key, token_file=token) as there:
        assert there.url.startswith("https://127.0.0.1:")
        there.tls = ssl.create_default_context(cafile=str(certificate))
        answer = there.ask("POST", "/login", f"token={TOKEN}".encode())
        kept, *facts = answer.headers["set-cookie"].split("; ")
        assert "secure" in {fact.lower() for fact in facts}  # RFC 6265bis, 4.1.2.5
        assert "There are no runs here yet" in there.get("/", cookie=kept).text
        with pytest.raises(httpx.RemoteProtocolError):
            httpx.get(there.url.replace("https", "http"))
    assert "cannot be used with its key" in refused(certificate=certificate)


def test_a_wrong_certificate_is_refused(tmp_path: Path) -> None:
    (tmp_path / "page.pem").write_text("no certificate")
    assert "cannot be used with its key" in refused(certificate=tmp_path / "page.pem")
    assert "cannot be used with its key: No such file" in refused(certificate=tmp_path / "none.pem")


def test_without_the_extra_one_message_names_it(tmp_path: Path) -> None:
    program = (
        "import sys; sys.modules['starlette'] = None; from orchestrator.cli import invoke; sys.exit(invoke(['serve']))"
    )
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", program], check=False, cwd=tmp_path, env=environment, capture_output=True, text=True
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.count("\n") == 1
    assert (
        "trialbed: serve: needs the extra 'web', of which starlette cannot be found; install it with: " in done.stderr
    )
    assert f"{sys.executable} -m pip install 'trialbed[web]'" in done.stderr


def test_a_defect_is_told_of_in_one_line_that_steers_no_terminal_and_shown_on_request(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("TRIALBED_TRACE", raising=False)
    tell_defect(ZeroDivisionError("of \x1b[2J run"))
    said = capsys.readouterr().err
    assert r"ZeroDivisionError: of \x1b[2J run; the page is served on; TRIALBED_TRACE=1 shows where" in said
    assert said.count("\n") == 1
    monkeypatch.setenv("TRIALBED_TRACE", "1")
    try:
        raise ZeroDivisionError
    except ZeroDivisionError as error:
        tell_defect(error)
    assert capsys.readouterr().err.startswith("Traceback (most recent call last)")
