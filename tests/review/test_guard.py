"""Who is let in: requests to a true server over its socket."""

import asyncio

import pytest

from pipeline.review.guard import MOST_BODY_BYTES, Guard
from tests.review.desks import asked, desk_over, posted, served


@pytest.fixture(scope="module")
def address(model_roll, tmp_path_factory):
    import shutil

    scans = tmp_path_factory.mktemp("guarded") / "harbour"
    shutil.copytree(model_roll, scans)
    with desk_over(scans, scans.parent / "out") as desk, served(desk) as where:
        yield where


def test_the_page_and_its_files_are_served_with_the_token(address):
    status, headers, body = asked(address, "/")
    assert (status, headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert b"<title>evenroll</title>" in body
    assert "default-src 'none'" in headers["content-security-policy"]
    assert headers["cache-control"] == "no-store"
    assert asked(address, "/page/review.js")[0] == 200
    assert asked(address, "/roll")[0] == 200


@pytest.mark.parametrize("token", ["x", "a" * 32, "%00", "..", "page"])
def test_another_token_is_refused(address, token):
    status, _, body = asked(address, "/roll", token=token)
    assert status == 403
    assert b"open the address that evenroll printed" in body


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "[::1]:80", ""])
def test_another_hosts_name_is_refused(address, host):
    assert asked(address, "/roll", Host=host)[0] in (400, 421)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1"},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
    ],
)
def test_another_sites_request_is_refused(address, headers):
    assert asked(address, "/roll", **headers)[0] == 403
    assert posted(address, "/undo", {}, **headers)[0] == 403


def test_a_change_without_an_origin_or_as_a_form_is_refused(address):
    assert asked(address, "/undo", "POST", b"{}", Content_Type="application/json")[0] == 403
    assert posted(address, "/undo", {}, Content_Type="text/plain")[0] == 415


@pytest.mark.parametrize(
    "path",
    [
        "/page/../app.py", "/page/..%2fapp.py", "/page/%2e%2e/app.py", "/..", "/page/", "/small/..",
        "/page//etc/passwd", "/../../../etc/passwd", "/strip/99", "/strip/-1", "/strip/x",
        "/picture/99?side=100", "/nothing",
    ],
)  # fmt: skip
def test_paths_lead_nowhere_else(address, path):
    status, _, body = asked(address, path)
    assert status in (403, 404, 405)
    assert b"root:" not in body
    assert b"import" not in body


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/picture/12?side=99999", 400),
        ("/picture/12?side=nan", 400),
        ("/picture/12?side=100&frame=[1", 400),
        ("/picture/12?side=100&frame=3", 400),
        ('/picture/12?side=100&frame={"exposure":99}', 422),
        ('/picture/12?side=100&roll={"contrast":"high"}', 422),
        ("/point/0?x=1e99&y=0", 400),
        ("/point/0?x=-50&y=9999", 200),
    ],
)
def test_odd_values_are_told(address, path, status):
    assert asked(address, path.replace('"', "%22").replace(" ", "%20"))[0] == status


def test_large_bodies_are_refused_by_their_length_and_as_they_come(address):
    own = {"Origin": f"http://127.0.0.1:{address.port}", "Content_Type": "application/json"}
    told = asked(address, "/change", "POST", None, Content_Length=str(100 << 20), **own)
    assert told[0] == 413
    chunks = (b"%x\r\n%b\r\n" % (1 << 16, b" " * (1 << 16)) for _ in range(100 << 20 >> 16))

    def sent():
        yield from chunks

    try:
        status = asked(address, "/change", "POST", sent(), Transfer_Encoding="chunked", **own)[0]
    except (BrokenPipeError, ConnectionResetError):
        return
    assert status == 413
    assert MOST_BODY_BYTES < 100 << 20


@pytest.mark.parametrize(
    "told", [[], 3, "x", {}, {"do": "format"}, {"do": "move", "frames": "12"},
             {"do": "move", "frames": [3]}, {"do": "move", "disk": "c"},
             {"do": "tone", "tones": 3}, {"do": "split", "frames": ["12"], "at_mm": "wide"}]
)  # fmt: skip
def test_changes_that_make_no_sense_are_told_in_a_sentence(address, told):
    status, document = posted(address, "/change", told)
    assert status in (400, 422)
    assert document["problem"]


def test_pictures_and_densities_are_served(address):
    assert asked(address, "/small/12")[1]["content-type"] == "image/jpeg"
    assert asked(address, "/small/12?negative")[2][:3] == b"\xff\xd8\xff"
    assert asked(address, "/picture/12?side=120")[2][:2] == b"BM"
    assert asked(address, "/strip/0?negative")[2][:3] == b"\xff\xd8\xff"
    assert asked(address, "/bars/0")[0] == 200
    assert b'"above"' in asked(address, "/place/12?x=0.5&y=0.5")[2]
    status, document = posted(address, "/change", {"do": "drop", "frames": ["12"]})
    assert (status, document["gone"], document["undo"]) == (200, ["12"], "frame 12 left out")
    assert posted(address, "/undo", {})[1]["gone"] == []


def test_a_refused_body_is_read_before_the_answer():
    """As RFC 9112, 9.6 has it: closed before, a connection may lose the answer on its way."""
    steps: list[str] = []
    parts = iter([{"body": b"{", "more_body": True}, {"body": b"}"}])

    async def receive():
        steps.append("read")
        return {"type": "http.request", **next(parts)}

    async def send(message):
        steps.append(message["type"])

    scope = {
        "type": "http",
        "method": "POST",
        "path": "/undo",
        "headers": [(b"host", b"elsewhere")],
    }
    asyncio.run(Guard(None, "token", 1)(scope, receive, send))
    assert steps == ["read", "read", "http.response.start", "http.response.body"]
