"""What the desk refuses, each by itself, and the headers on whatever it gives."""

import logging
import os
import re
import socket
from pathlib import Path
from urllib.parse import urljoin

import pytest

from overlay.desk.confine import inside
from overlay.desk.guard import ASK_ANEW, LARGEST_REQUEST
from overlay.desk.serve import HOST as LISTENS_ON
from overlay.desk.serve import _listener
from overlay.errors import InputError, OutputError
from tests.desk.conftest import HOST, PORT, TOKEN, client_of

SECRET = "nobody may read this"


def test_guard__no_key_no_answer(desk):
    client = client_of(desk)
    for path in ("/", "/api/look", "/static/desk.css", "/files/a1.mp4", "/?token=wrong"):
        answer = client.get(path)
        assert (answer.status_code, answer.text) == (401, ASK_ANEW)
    assert client.post("/api/draft", json={}, headers={"origin": HOST}).status_code == 401


def test_guard__the_address_gives_a_cookie_that_scripts_cannot_read(desk):
    client = client_of(desk, follow_redirects=False)
    answer = client.get("/", params={"token": TOKEN})
    assert answer.status_code == 303 and answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie and f"desk-{PORT}=" in cookie
    assert client.get("/").status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", f"127.0.0.1:{PORT + 1}", ""])
def test_guard__another_name_for_this_machine_is_refused(client, host):
    assert client.get("/api/look", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", None])
def test_guard__another_page_changes_nothing(client, day, origin):
    del client.headers["origin"]
    headers = {} if origin is None else {"origin": origin}
    body = {"text": "x = 1", "base": ""}
    assert client.post("/api/save", json=body, headers=headers).status_code == 403
    assert "Taxiway" in (day / "day.toml").read_text()


def test_guard__another_site_reads_nothing(client):
    assert client.get("/api/look", headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert client.get("/api/look", headers={"origin": "http://evil.example"}).status_code == 403


def test_guard__another_machine_is_refused(desk):
    client = client_of(desk)
    client.get("/", params={"token": TOKEN})
    guarded = client.app
    far = type(client)(guarded, base_url=HOST, client=("192.0.2.7", 5), cookies=client.cookies)
    assert far.get("/api/look").status_code == 403


def test_guard__too_large_a_request_is_refused(client):
    big = b"x" * (LARGEST_REQUEST + 1)
    kind = {"content-type": "application/json"}
    assert client.post("/api/draft", content=big, headers=kind).status_code == 413

    def parts():
        for _ in range(LARGEST_REQUEST // 65536 + 2):
            yield b"x" * 65536

    assert client.post("/api/draft", content=parts(), headers=kind).status_code == 413


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"{", "application/json", 400),
        (b'{"text": 3}', "application/json", 400),
        (b'{"text": "", "more": 1}', "application/json", 400),
        (b'{"text": "", "edits": [{"op": "drop", "path": ["a"]}]}', "application/json", 400),
        (b"text=1", "application/x-www-form-urlencoded", 415),
    ],
)
def test_guard__a_malformed_question_is_refused_in_a_line(client, body, kind, status):
    answer = client.post("/api/draft", content=body, headers={"content-type": kind})
    assert answer.status_code == status
    assert answer.json()["error"] and "Traceback" not in answer.text


def test_guard__strict_headers_on_everything(client):
    for path in ("/", "/api/look", "/static/main.js", "/files/a1.mp4", "/files/none.mp4"):
        headers = client.get(path).headers
        assert headers["cache-control"] == "no-store"
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        policy = headers["content-security-policy"]
        assert "script-src 'self';" in policy and "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy and "default-src 'none'" in policy


def test_guard__the_page_has_no_script_within(client):
    page = client.get("/").text
    assert page.count("<script") == page.count("></script>") == page.count('.js"></script>') == 2
    assert '<script type="module" src="/static/main.js"></script>' in page
    assert "onclick" not in page and "style=" not in page


def test_page__asks_for_all_modules_of_its_first_stage_at_once(client):
    page, seen, left = client.get("/").text, set(), ["/static/main.js"]
    while left:
        path = left.pop()
        if path not in seen:
            seen.add(path)
            text = client.get(path).text
            left += [urljoin(path, name) for name in re.findall(r'^import .*"(.+)";$', text, re.M)]
    preloaded = re.findall(r'<link rel="modulepreload" href="(.+)">', page)
    assert "/static/folder.js" in seen and "/player/player.js" not in seen
    assert sorted([*preloaded, "/static/main.js"]) == sorted(seen)


# -- the results page, in a frame without a cookie -----------------------------------------------


@pytest.fixture
def page(desk, day) -> str:
    """Address in front of everything of the results page, which has a clip beside it."""
    clips = day / "day-results" / "results-clips" / "a1"
    clips.mkdir(parents=True)
    (day / "day-results" / "results.html").write_text("<script>1</script>")
    (clips / "clip.mp4").write_bytes((day / "a1.mp4").read_bytes())
    (day / "day-results" / "results.json").write_text(SECRET)
    assert desk.look()["results"] == f"/apart/{desk.apart_key}/day-results/results.html"
    return f"/apart/{desk.apart_key}/day-results"


def test_apart__the_page_runs_apart_and_needs_no_cookie(desk, page):
    client = client_of(desk)
    for more in ({}, {"sec-fetch-site": "cross-site"}, {"origin": "null"}):
        answer = client.get(f"{page}/results.html", headers=more)
        policy = answer.headers["content-security-policy"]
        assert answer.status_code == 200 and policy.startswith("sandbox allow-scripts")
        assert "allow-same-origin" not in policy
        assert "connect-src" not in policy and "default-src 'none'" in policy
        assert "access-control-allow-origin" not in answer.headers
    assert client.get("/api/look").status_code == 401  # its key opens nothing else
    assert client.get(f"/api/look?token={desk.apart_key}").status_code == 401


def test_apart__its_clips_come_in_parts(desk, page):
    client = client_of(desk)
    answer = client.get(f"{page}/results-clips/a1/clip.mp4", headers={"range": "bytes=0-99"})
    assert answer.status_code == 206 and len(answer.content) == 100
    assert answer.headers["cross-origin-resource-policy"] == "cross-origin"


@pytest.mark.parametrize(
    "name",
    [
        "results.json",
        "../a1.mp4",
        "results-clips/../results.json",
        "results-clips/link.mp4",
        "results-clips/away/a1.mp4",
        "results-clips/.hidden.mp4",
        "results-clips",
        "",
    ],
)
def test_apart__nothing_else_is_under_its_key(desk, day, page, name):
    clips = day / "day-results" / "results-clips"
    (clips / ".hidden.mp4").write_text(SECRET)
    (clips / "link.mp4").symlink_to(day / "a1.mp4")
    (clips / "away").symlink_to(day)
    client = client_of(desk)
    for path in (f"{page}/{name}", f"{page}/{name.replace('/', '%2f').replace('.', '%2e')}"):
        answer = client.get(path)
        assert answer.status_code in (401, 404) and SECRET not in answer.text
        assert b"ftyp" not in answer.content[:32]


def test_apart__a_wrong_key_another_method_or_machine_is_refused(desk, page):
    client = client_of(desk)
    wrong = page.replace(desk.apart_key, "x" * len(desk.apart_key))
    for path in (wrong, page.replace(desk.apart_key, ""), page.replace(desk.apart_key, TOKEN)):
        assert client.get(f"{path}/results.html").status_code == 401
    assert client.post(f"{page}/results.html").status_code == 405
    assert client.get(f"{page}/results.html", headers={"host": "evil.example"}).status_code == 421
    far = type(client)(client.app, base_url=HOST, client=("192.0.2.7", 5))
    assert far.get(f"{page}/results.html").status_code == 403


def test_apart__no_page_is_among_the_files(client, page):
    assert client.get("/files/day-results/results.html").status_code == 404


# -- files -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "../secret.mp4",
        "day-results/../../secret.mp4",
        "/etc/passwd",
        "..\\secret.mp4",
        "link.mp4",
        "linked/secret.mp4",
        "day.toml",
        ".hidden.mp4",
        "a1.mp4\0.png",
        "",
        "day-results",
    ],
)
def test_files__outside_the_folder_or_of_another_kind_are_refused(client, day, name):
    (day.parent / "secret.mp4").write_text(SECRET)
    (day / ".hidden.mp4").write_text(SECRET)
    (day / "link.mp4").symlink_to(day.parent / "secret.mp4")
    (day / "linked").symlink_to(day.parent)
    with pytest.raises(InputError):
        inside(day, name)
    quoted = name.replace("/", "%2f").replace("\\", "%5c").replace("\0", "%00")
    for path in (f"/files/{quoted}", f"/files//{quoted}", f"/static/{quoted}"):
        answer = client.get(path)
        assert answer.status_code in (404, 405) and SECRET not in answer.text


def test_files__a_link_inside_the_folder_is_served(client, day):
    (day / "again.mp4").symlink_to(day / "a1.mp4")
    assert client.head("/files/again.mp4").status_code == 200


def test_files__a_part_of_a_clip(client, day):
    whole = (day / "a1.mp4").read_bytes()
    answer = client.get("/files/a1.mp4", headers={"range": "bytes=1000-1999"})
    assert answer.status_code == 206 and answer.content == whole[1000:2000]
    assert answer.headers["content-range"] == f"bytes 1000-1999/{len(whole)}"
    past = client.get("/files/a1.mp4", headers={"range": f"bytes={len(whole)}-"})
    assert past.status_code == 416


def test_run__a_clip_outside_the_folder_is_not_worked_on(client, day):
    (day.parent / "far.mp4").write_bytes((day / "a1.mp4").read_bytes())
    text = (day / "day.toml").read_text().replace('"a1.mp4"', '"../far.mp4"')
    for name in ("run", "work-out"):
        answer = client.post(f"/api/{name}", json={"text": text, "name": "a1"})
        assert answer.status_code == 422 and "does not leave" in answer.json()["error"]


# -- the socket and the log --------------------------------------------------------------------


def test_serve__listens_on_loopback_only():
    with _listener(None) as found:
        assert found.getsockname()[0] == LISTENS_ON == "127.0.0.1"


def test_serve__no_other_address_of_this_machine_answers():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # sends nothing; names the address it would come from
        except OSError:
            pytest.skip("this machine has no address but loopback")
        own = asked.getsockname()[0]
    with _listener(None) as found:
        port = found.getsockname()[1]
        socket.create_connection((LISTENS_ON, port), 5).close()
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection((own, port), 5)


def test_serve__a_port_that_is_taken_is_said():
    with socket.socket() as taken:
        taken.bind((LISTENS_ON, 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(OutputError, match=f"port {port}"):
            _listener(port)


def test_log__keeps_no_secret(desk, caplog):
    with caplog.at_level(logging.INFO):
        client = client_of(desk)
        client.get("/", params={"token": TOKEN})
        client.get("/api/look")
    ours = [r for r in caplog.records if not r.name.startswith("httpx")]
    assert all(TOKEN not in record.getMessage() for record in ours)


def test_desk__starts_no_shell():
    folder = Path(__file__).parents[2] / "overlay" / "desk"
    text = "".join(path.read_text() for path in folder.glob("*.py"))
    assert "shell=" not in text and "os.system" not in text and os.sep in str(folder)
