"""Getting in where one must not: other hosts, other origins, no key, odd paths, large and slow bodies.

What is expected: RFC 9110 status codes; DNS rebinding is met by checking Host, cross-site requests by
Origin (Fetch standard, 3.2) and Sec-Fetch-Site (W3C Fetch Metadata).
"""

from __future__ import annotations

import http.client
import json
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from own_clips import Served, dots, write_dots

QUICK_S = 2.0
PLACES = [(40.0, 30.0), (100.0, 70.0)]


@pytest.fixture(name="served", scope="module")
def served_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("gate")
    (folder / "secret.txt").write_text("secret", encoding="utf-8")
    served = Served(write_dots(folder / "shot.mp4", dots(160, 96, PLACES)))
    ask(served, "GET", "/api/clip")  # the first request warms up
    yield served
    served.close()


def ask(
    served: Served,
    method: str,
    path: str,
    body: bytes | None = None,
    *,
    without: tuple[str, ...] = (),
    **changed: str,
) -> tuple[int, dict[str, str], bytes]:
    """One request with all that it takes to be let in, less or other than that where it is said."""
    headers = {"Host": f"127.0.0.1:{served.port}", "X-Lobscope-Key": served.key}
    if method != "GET":
        headers |= {"Origin": f"http://127.0.0.1:{served.port}", "Content-Type": "application/json"}
    headers |= {name.replace("_", "-"): value for name, value in changed.items()}
    line = http.client.HTTPConnection("127.0.0.1", served.port, timeout=10)
    try:
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in headers.items():
            if name not in without:
                line.putheader(name, value)
        if body is not None:
            line.putheader("Content-Length", str(len(body)))
        line.endheaders(body)
        answer = line.getresponse()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    finally:
        line.close()


def refused(served: Served, status: int, *arguments: object, **changed: object) -> bytes:
    started_s = time.perf_counter()
    got, headers, body = ask(served, *arguments, **changed)  # type: ignore[arg-type]
    spent_s = time.perf_counter() - started_s
    assert got == status, body
    assert spent_s < QUICK_S
    said = json.loads(body)
    assert {"code", "message", "advice"} <= said.keys()
    assert served.key.encode() not in body
    assert "default-src 'none'" in headers["content-security-policy"]
    return body


def test_the_owner_gets_in(served: Served) -> None:
    status, headers, body = ask(served, "GET", "/api/clip")
    assert status == 200
    assert json.loads(body)["width"] == 160
    assert headers["cache-control"] == "no-store"
    assert "server" not in headers
    assert "access-control-allow-origin" not in headers
    assert ask(served, "POST", "/api/weigh", b'{"table": {}}')[0] == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "127.0.0.1:{port}.evil.example", ""],
)
@pytest.mark.parametrize("path", ["/", "/api/clip", "/shell/main.js"])
def test_another_host_is_refused(served: Served, host: str, path: str) -> None:
    refused(served, 403, "GET", path, Host=host.format(port=served.port))


def test_no_host_at_all_is_refused_by_the_server_itself(served: Served) -> None:
    assert ask(served, "GET", "/", without=("Host",))[0] == 400


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1:{port}", "http://localhost"],
)
def test_another_origin_is_refused(served: Served, origin: str) -> None:
    other = origin.format(port=served.port)
    refused(served, 403, "POST", "/api/weigh", b'{"table": {}}', Origin=other)
    refused(served, 403, "GET", "/api/clip", Origin=other)


def test_changing_requests_need_an_origin(served: Served) -> None:
    refused(served, 403, "POST", "/api/save", b'{"table": {}}', without=("Origin",))
    refused(served, 403, "DELETE", "/api/jobs/measure", without=("Origin",))


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_a_browser_calls_another_site_is_refused(served: Served, site: str) -> None:
    refused(served, 403, "GET", "/api/frames/0", Sec_Fetch_Site=site)


@pytest.mark.parametrize("path", ["/api/clip", "/api/frames/0", "/api/events", "/api/flight/1", "/nothing"])
def test_without_the_key_nothing_is_told(served: Served, path: str) -> None:
    refused(served, 401, "GET", path, without=("X-Lobscope-Key",))
    refused(served, 401, "GET", path, X_Lobscope_Key="x" * 43)
    refused(served, 401, "GET", f"{path}?key={served.key}", without=("X-Lobscope-Key",))


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.txt",
        "/shell/../../secret.txt",
        "/shell/..%2f..%2fsecret.txt",
        "/shell/%2e%2e/%2e%2e/secret.txt",
        "/shell//etc/passwd",
        "/api/frames/../clip",
        "/api/frames/%2e%2e%2fshot.mp4",
        "/api/frames/0/../../secret.txt",
        "/api/neighbours/../compare",
        "/docs",
        "/openapi.json",
    ],
)
def test_odd_paths_lead_nowhere(served: Served, path: str) -> None:
    status, _, body = ask(served, "GET", path)
    assert status in {404, 405, 422}
    assert b"secret" not in body
    assert b"root:" not in body
    assert refused(served, 401, "GET", path, without=("X-Lobscope-Key",))


@pytest.mark.parametrize("path", ["/api/frames/12", "/api/frames/-1", "/api/frames/99999999999999999999"])
def test_a_picture_that_is_not_there_is_a_plain_answer(served: Served, path: str) -> None:
    refused(served, 400, "GET", path)


def test_a_neighbour_is_a_number_that_exists(served: Served) -> None:
    refused(served, 404, "POST", "/api/neighbours/7/compare", b"{}")
    refused(served, 422, "POST", "/api/neighbours/x/compare", b"{}")


def test_only_json_is_taken(served: Served) -> None:
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"):
        refused(served, 415, "POST", "/api/weigh", b"{}", Content_Type=kind)
    refused(served, 422, "POST", "/api/weigh", b"{")
    refused(served, 422, "POST", "/api/save", b'{"table": {}, "path": "elsewhere"}')


@pytest.mark.parametrize("method", ["PUT", "OPTIONS", "TRACE", "PATCH"])
def test_other_methods_are_refused(served: Served, method: str) -> None:
    refused(served, 405, method, "/api/clip")


def test_a_large_body_is_refused_before_it_is_read(served: Served) -> None:
    with socket.create_connection(("127.0.0.1", served.port), timeout=5) as line:
        head = _head(served, "Content-Length: 999999999")
        started_s = time.perf_counter()
        line.sendall(head)
        assert line.recv(64).startswith(b"HTTP/1.1 413")
        assert time.perf_counter() - started_s < QUICK_S


def test_a_large_body_without_a_length_is_refused(served: Served) -> None:
    with socket.create_connection(("127.0.0.1", served.port), timeout=5) as line:
        line.sendall(_head(served, "Transfer-Encoding: chunked"))
        part = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
        for _ in range(3):
            line.sendall(part)
        assert line.recv(64).startswith(b"HTTP/1.1 413")


def test_a_slow_body_is_not_waited_for(served: Served) -> None:
    with socket.create_connection(("127.0.0.1", served.port), timeout=15) as line:
        line.sendall(_head(served, "Content-Length: 1000") + b"{")
        started_s = time.perf_counter()
        # Meanwhile others are served.
        assert ask(served, "GET", "/api/clip")[0] == 200
        assert line.recv(64).startswith(b"HTTP/1.1 408")
        assert time.perf_counter() - started_s < 8


def _head(served: Served, *lines: str) -> bytes:
    head = [
        "POST /api/weigh HTTP/1.1",
        f"Host: 127.0.0.1:{served.port}",
        f"Origin: http://127.0.0.1:{served.port}",
        f"X-Lobscope-Key: {served.key}",
        "Content-Type: application/json",
        *lines,
    ]
    return ("\r\n".join(head) + "\r\n\r\n").encode()


def test_a_wrong_ticket_is_worth_nothing(served: Served) -> None:
    refused(served, 401, "POST", "/api/enter", b'{"ticket": "x"}', without=("X-Lobscope-Key",))


def test_it_listens_to_this_machine_only(served: Served) -> None:
    for family, *_, address in socket.getaddrinfo(socket.gethostname(), served.port, type=socket.SOCK_STREAM):
        if str(address[0]).startswith("127.") or family != socket.AF_INET:
            continue
        with socket.socket(family) as line:
            line.settimeout(1)
            assert line.connect_ex((str(address[0]), served.port)) != 0


def test_the_key_is_printed_once_and_never_logged(served: Served) -> None:
    said = "".join(served.said)
    assert said.count(served.key) == 1
    assert len(served.said) == 3, said


def test_saved_values_go_beside_the_clip_and_nowhere_else(served: Served, tmp_path: Path) -> None:
    table = {"ball": {"diameter": "140 mm"}, "camera": {"lens": "../../elsewhere.toml"}}
    status, _, body = ask(served, "POST", "/api/save", json.dumps({"table": table}).encode())
    assert status == 200
    assert json.loads(body)["file"] == "shot.setup.toml"


def test_looking_for_the_board_can_be_given_up(served: Served) -> None:
    status, _, body = ask(served, "POST", "/api/board", b'{"table": {}}')
    assert status == 200
    assert json.loads(body)["number"] > 0
    # The process that looks has not even started by now.
    assert json.loads(ask(served, "DELETE", "/api/jobs/board", b"{}")[2]) == {"given_up": True}
    assert json.loads(ask(served, "DELETE", "/api/jobs/board", b"{}")[2]) == {"given_up": False}
    refused(served, 401, "POST", "/api/board", b'{"table": {}}', without=("X-Lobscope-Key",))
    refused(served, 403, "POST", "/api/board", b'{"table": {}}', without=("Origin",))
    refused(served, 422, "POST", "/api/board", b'{"clip": "elsewhere.mp4"}')
