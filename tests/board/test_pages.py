"""The pages themselves, over a desk that only remembers: what is shown, what is refused, and what is never done."""

import socket
from collections.abc import Iterator, Mapping
from dataclasses import replace

import pytest

from collector.board.app import make_app
from collector.board.guard import MOST_BODY_BYTES, WRONG_A_MINUTE
from collector.board.port import AlarmPage, LinkWrong, NotNow
from tests.board.served import Answer, Served
from tests.services.log_lines import log_to

HOT = AlarmPage(
    lab="Quillbrook School worm lab",
    where="Juniper, top tray",
    what="Bedding temperature too high",
    since="08:01 (2 min ago)",
    priority="high: time to respond 4 h, by 12:01",
    level="high",
    state=("Nobody is on it yet.",),
    button="I am on it",
    role="teacher",
    to_do="Lift the blanket.\nMove the feed.",
)
PATH = "/acknowledge/good-token"


class RememberingDesk:
    """Knows one good link; remembers each press."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        self.page, self.problem = HOT, ""
        self.trouble: Exception | None = None
        self.presses: list[str] = []

    def look(self, token: str) -> AlarmPage:
        self._know(token)
        return self.page

    def acknowledge(self, token: str) -> str:
        self._know(token)
        self.presses.append(token)
        return self.problem

    def _know(self, token: str) -> None:
        if self.trouble is not None:
            raise self.trouble
        if token == "old-token":
            raise LinkWrong("this link is too old to be used", expired=True)
        if token != "good-token":
            raise LinkWrong("this is not a whole link of this lab's collector")


class Board:
    """A desk, the server over it, its log, and its clock."""

    def __init__(self) -> None:
        self.desk, self.log, self.seconds = RememberingDesk(), list[str](), 0.0
        self.served = Served(make_app(self.desk, lambda: self.seconds, log_to(self.log), "worms.quillbrook.example"))

    def get(self, path: str = PATH) -> Answer:
        return self.served.ask("GET", path)

    def post(self, path: str = PATH, headers: Mapping[str, str] | None = None, body: bytes | None = None) -> Answer:
        return self.served.ask("POST", path, headers, body)


@pytest.fixture(scope="module")
def running() -> Iterator[Board]:
    made = Board()
    with made.served:
        yield made


@pytest.fixture
def board(running: Board) -> Board:
    """One server for all, as if new: nothing pressed, nothing logged, and a minute without wrong links."""
    running.desk.forget()
    running.log.clear()
    running.seconds += 60.0
    return running


def test_the_page_says_all_and_has_one_button(board: Board) -> None:
    """Place, what, since, priority in words, state, what to do; one form that posts to the page itself."""
    answer = board.get()
    assert answer.status == 200
    for words in (HOT.lab, HOT.where, HOT.what, HOT.since, HOT.priority, *HOT.state, HOT.button, "teacher", HOT.to_do):
        assert words in answer.text
    assert answer.text.count("<button") == answer.text.count("<form") == 1
    assert '<form method="post">' in answer.text
    assert "<script" not in answer.text


def test_looking_changes_nothing(board: Board) -> None:
    """GET, HEAD, and the ways scanners and browsers look ahead: nothing is pressed."""
    for headers in ({}, {"Purpose": "prefetch"}, {"Sec-Purpose": "prefetch;prerender"}, {"X-Moz": "prefetch"}):
        for method in ("GET", "HEAD"):
            assert board.served.ask(method, PATH, headers).status == 200
    assert board.served.ask("GET", f"{PATH}?press=1", body=b"press=1").status == 200
    for method in ("PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"):
        answer = board.served.ask(method, PATH)
        assert answer.status == 405
        assert set(answer.headers["allow"].split(", ")) == {"GET", "HEAD", "POST"}
    assert board.desk.presses == []


def test_a_press_is_passed_on_and_leads_back_to_the_page(board: Board) -> None:
    """303 to the page by its last part alone, so that it works below any address; loading again presses nothing."""
    answer = board.post()
    assert (answer.status, answer.headers["location"]) == (303, "good-token")
    assert board.desk.presses == ["good-token"]


def test_a_press_that_did_nothing_says_why(board: Board) -> None:
    """The collector's own words, on the page."""
    board.desk.problem = "not done: that alarm is over"
    answer = board.post()
    assert answer.status == 409
    assert "not done: that alarm is over" in answer.text
    assert HOT.where in answer.text


def test_where_there_is_nothing_to_press_there_is_no_button_and_no_colour(board: Board) -> None:
    """Acknowledged: grey, who is on it, no form; one that waits for the collector looks again by itself."""
    board.desk.page = replace(HOT, level="", button="", to_do="", state=("teacher is on it, since 08:05.",))
    text = board.get().text
    assert "<form" not in text
    assert "Needs someone" not in text
    assert "http-equiv" not in text
    assert 'class="now "' in text
    board.desk.page = replace(board.desk.page, waiting=True)
    assert 'http-equiv="refresh" content="3"' in board.get().text


@pytest.mark.parametrize(("level", "mark"), [("high", "▲"), ("medium", "◆"), ("low", "●")])
def test_colour_is_never_alone(board: Board, level: str, mark: str) -> None:
    """Beside it stand words and a mark of another shape for each priority."""
    board.desk.page = replace(HOT, level=level)
    text = board.get().text
    assert mark in text
    assert "Needs someone" in text


def test_everything_is_escaped(board: Board) -> None:
    """Names from lab files and links stay text."""
    odd = "<script>alert('x')</script>&\""
    board.desk.page = replace(HOT, lab=odd, where=odd, what=odd, since=odd, priority=odd, state=(odd,), role=odd)
    board.desk.page = replace(board.desk.page, to_do=odd, button=odd)
    board.desk.problem = odd
    for answer in (board.get(), board.post()):
        assert "<script" not in answer.text
        assert "&lt;script&gt;alert(&#39;x&#39;)" in answer.text


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("/acknowledge/old-token", 410, "too old"),
        ("/acknowledge/good-toke", 404, "Some mail programs break long links"),
        ("/acknowledge/%00%ff%E2%80%AE", 404, "does not work"),
        ("/acknowledge/", 404, "No such page"),
        ("/acknowledge/a/b", 404, "No such page"),
        ("/other", 404, "No such page"),
    ],
)
def test_wrong_links_have_pages_of_their_own(board: Board, path: str, status: int, says: str) -> None:
    """Too old, broken, no such page: said in words, by GET and POST, without repeating the address."""
    for answer in (board.get(path), board.post(path)):
        assert answer.status == status
        assert says in answer.text
        assert "toke<" not in answer.text
    assert board.desk.presses == []


def test_the_front_says_what_this_is(board: Board) -> None:
    """Whoever opens the bare address."""
    answer = board.get("/")
    assert answer.status == 200
    assert "links in messages lead here" in answer.text


@pytest.mark.parametrize("path", [PATH, "/", "/acknowledge/wrong", "/acknowledge/old-token", "/no/such/page"])
@pytest.mark.parametrize("method", ["GET", "POST", "DELETE"])
def test_every_answer_is_harmless(board: Board, path: str, method: str) -> None:
    """Nothing is loaded, framed, kept, indexed, guessed at or passed on; no cookie is set; no server is named."""
    headers = board.served.ask(method, path).headers
    policy = headers["content-security-policy"].split("; ")
    assert {"default-src 'none'", "frame-ancestors 'none'", "form-action 'self'", "base-uri 'none'"} < set(policy)
    assert [part for part in policy if part.startswith("style-src 'sha256-")]
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-robots-tag"] == "noindex, nofollow"
    assert headers["cache-control"] == "no-store"
    assert {"set-cookie", "server"}.isdisjoint(headers)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 303),
        ({"Origin": "null"}, 303),
        ({"Origin": "null", "Sec-Fetch-Site": "same-origin"}, 303),
        ({"Origin": "http://127.0.0.1:1", "Host": "127.0.0.1:1"}, 303),
        ({"Origin": "https://worms.quillbrook.example"}, 303),
        ({"Sec-Fetch-Site": "none"}, 303),
        ({"Origin": "https://elsewhere.example"}, 403),
        ({"Origin": "https://127.0.0.1"}, 403),
        ({"Origin": ""}, 403),
        ({"Origin": "null", "Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
    ],
)
def test_only_our_own_page_can_press(board: Board, headers: dict[str, str], status: int) -> None:
    """A form on another site is turned away, as far as the browser says where it stands."""
    assert board.post(headers=headers).status == status
    assert len(board.desk.presses) == (status == 303)


def test_a_large_body_is_not_read(board: Board) -> None:
    """Up to the bound it is read and ignored; beyond it the press does not count."""
    assert board.post(body=b"x" * MOST_BODY_BYTES).status == 303
    assert board.post(body=b"x" * (MOST_BODY_BYTES + 1)).status == 413
    assert len(board.desk.presses) == 1


def test_a_body_that_never_ends_is_not_waited_for(board: Board) -> None:
    """More is announced than comes: once the bound is passed it answers."""
    with socket.create_connection(("127.0.0.1", board.served.port), timeout=10) as client:
        head = f"POST {PATH} HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000000\r\n\r\n"
        client.sendall(head.encode() + b"x" * 2_000)
        assert client.recv(100).startswith(b"HTTP/1.1 413 ")
    assert board.desk.presses == []


def test_a_client_that_leaves_half_way_presses_nothing(board: Board) -> None:
    """The body is announced and never comes."""
    with socket.create_connection(("127.0.0.1", board.served.port), timeout=10) as client:
        client.sendall(f"POST {PATH} HTTP/1.1\r\nHost: x\r\nContent-Length: 10\r\n\r\nabc".encode())
    assert board.get().status == 200
    assert board.desk.presses == []


def test_guessing_is_slowed_and_good_links_go_on(board: Board) -> None:
    """Beyond so many wrong links a minute: 429, in the log once each up to there; a minute later as before."""
    answers = [board.get(f"/acknowledge/guess-{n}").status for n in range(WRONG_A_MINUTE + 2)]
    assert answers == [404] * WRONG_A_MINUTE + [429] * 2
    assert board.get("/acknowledge/guess").headers["retry-after"] == "60"
    assert len(board.log) == WRONG_A_MINUTE
    assert board.get().status == 200
    assert board.get("/acknowledge/old-token").status == 410
    board.seconds += 60.0
    assert board.get("/acknowledge/guess").status == 404


@pytest.mark.parametrize(
    ("trouble", "status", "says"),
    [
        (NotNow("the disk is full"), 503, "The disk is full."),
        (RuntimeError("good-token"), 500, "A mistake in the program"),
    ],
)
def test_trouble_is_a_page_and_a_line(board: Board, trouble: Exception, status: int, says: str) -> None:
    """No traceback to the reader nor to the log, and no link in the log."""
    board.desk.trouble = trouble
    for answer in (board.get(), board.post()):
        assert answer.status == status
        assert says in answer.text
        assert "Traceback" not in answer.text
    assert len(board.log) == 2
    assert "token" not in "".join(board.log)
