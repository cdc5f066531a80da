"""The window beside the terminal: what it shows, does and refuses, over HTTP and in a browser."""

from __future__ import annotations

import asyncio
import io
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from aiohttp import ClientConnectionError, ClientSession, CookieJar
from PIL import Image
from tether_simulator.film.curve import FILMS
from tether_simulator.film.scenes import paint
from tether_simulator.film.sleeve_page import SleevePage, photographed
from tether_simulator.server import BenchProcess

from tests.quick import QUICK
from tests.tui.piloting import ready, until
from tests.web.chromium import PROGRAM, browser
from tether.archive.archive import Archive
from tether.archive.records import NewRoll, Roll
from tether.bench.benches import BenchBook, BenchSetup
from tether.camera.process import CameraProcess, connect
from tether.film import FILM_FORMATS, FilmProcess
from tether.proof.make import ProofWish, make_proof
from tether.rehearsal import SimulatedHand
from tether.session.judge import Judge
from tether.session.next_step import NextKind
from tether.session.session import Session
from tether.tui.app import TetherApp
from tether.tui.app_context import AppContext
from tether.tui.screens.worktable import Worktable
from tether.tui.session_port import SessionPort
from tether.tui.session_thread import SessionThread
from tether.web.guard import listen
from tether.window.server import Window


class Served:
    """A session on which two frames were shot, and its window."""

    def __init__(self, port: SessionPort, client: ClientSession, address: str) -> None:
        self.port, self.client = port, client
        self.origin = address.split("/?", maxsplit=1)[0]

    async def json(self, path: str) -> Any:
        async with self.client.get(self.origin + path) as answer:
            assert answer.status == 200, await answer.text()
            return await answer.json()

    async def picture(self, path: str) -> Image.Image:
        async with self.client.get(self.origin + path) as answer:
            assert answer.status == 200, await answer.text()
            return Image.open(io.BytesIO(await answer.read()))

    async def do(self, **given: Any) -> tuple[int, str]:
        """Press something; return the status and what was said."""
        async with self.client.post(
            f"{self.origin}/do", json=given, headers={"Origin": self.origin}
        ) as answer:
            told = await answer.json()
            return answer.status, told.get("said") or told["error"]


@pytest.fixture
async def served(
    archive: Archive, roll: Roll, judge: Judge, bench: BenchProcess, camera: CameraProcess
) -> AsyncIterator[Served]:
    """The first frame is kept, the second waits for a choice."""
    hand, thread = SimulatedHand(bench, roll), SessionThread()

    def shoot() -> Session:
        BenchBook(archive.store).keep(BenchSetup("Table 1"))
        session = Session(archive, roll, camera, judge, QUICK, hand.listen)
        while not session.frames()[1].captures:
            place = session.next_step()
            if place.kind is NextKind.STEP:
                session.confirm(place.step)
            elif place.kind is NextKind.SHOOT:
                session.capture()
            else:
                session.keep()
        return session

    port = SessionPort(thread, await thread.run(shoot))
    window = Window(listen(0))
    await window.start(port)
    await port.view()
    async with ClientSession(cookie_jar=CookieJar(unsafe=True)) as client:
        async with client.get(window.address) as page:
            assert page.status == 200
        yield Served(port, client, window.address)
    await window.close()
    thread.close()
    port.close()


async def test_the_page_gets_the_roll_and_each_change_whoever_made_it(served: Served) -> None:
    state = await served.json("/state")
    assert (state["roll"], state["done"], state["of"]) == ("Harbour", 1, 6)
    assert [frame["word"] for frame in state["frames"][:3]] == [
        "kept", "waits for your choice", "open",
    ]  # fmt: skip
    assert state["waiting"] == state["newest"] == state["frames"][1]["takes"][0]["id"]
    assert len(state["frames"][1]["takes"][0]["outline"]) == 4
    later = asyncio.ensure_future(served.json(f"/state?known={state['version']}"))
    await asyncio.sleep(0)
    await served.port.keep()  # as the terminal does
    await served.port.view()
    assert (await later)["done"] == 2
    status, said = await served.do(action="go", frame=5)
    assert (status, said.split(":")[:2]) == (200, ["Next", " frame 5"])
    assert (await served.port.view()).place.frame == 5


async def test_a_take_is_shown_in_parts_at_every_size(served: Served) -> None:
    take = (await served.json("/state"))["newest"]
    assert await served.json(f"/take/{take}") == {"width": 960, "height": 640}
    whole = await served.picture(f"/take/{take}/normal/2/0/0")
    assert whole.size == (480, 320)
    edge = await served.picture(f"/take/{take}/normal/1/1/1")
    assert edge.size == (960 - 512, 640 - 512)
    overlap = whole.crop((256, 256, 480, 320)).resize((448, 128))
    assert np.abs(np.asarray(edge, float) - np.asarray(overlap, float)).mean() < 8
    negative = await served.picture(f"/take/{take}/negative/2/0/0")
    # The base is light on film, and dark in its positive.
    assert np.asarray(negative.crop((6, 100, 12, 200)), float).mean() > 100
    assert np.asarray(whole.crop((6, 100, 12, 200)), float).mean() < 60
    small = await served.picture(f"/take/{take}/small")
    assert np.asarray(small).shape[:2] == (213, 320)
    mirrored = np.asarray(whole.resize(small.size), float)[:, ::-1]
    assert np.abs(np.asarray(small, float) - mirrored).mean() < 8
    marks = np.asarray(await served.picture(f"/take/{take}/marks/2/0/0"))
    assert marks.shape == (320, 480, 4)
    assert marks[160, 240, 3] == 0, "the picture is neither clipped nor lost in noise"


async def test_choices_are_the_session_s_own_and_a_late_page_changes_nothing(
    served: Served,
) -> None:
    state = await served.json("/state")
    first, second = (frame["takes"][0]["id"] for frame in state["frames"][:2])
    status, said = await served.do(action="reshoot", take=first)
    assert (status, said.split(".")[0]) == (409, "This take does not wait for your choice")
    assert (await served.do(action="reshoot", take=second))[0] == 200
    assert (await served.do(action="undo"))[1].startswith("Undone: the choice about frame 2")
    assert (await served.do(action="keep", take=second))[0] == 200
    assert (await served.do(action="note", frame=2, text="Pier \x1b[2J"))[0] == 200
    frame = (await served.port.view()).frames[1]
    assert frame.chosen is not None
    assert frame.chosen.id == second
    assert "\x1b" not in frame.note
    assert (await served.do(action="mark", frame=1, state="blank"))[0] == 409, "not at work"
    for wrong in (
        {"action": "keep", "take": 999}, {"action": "keep", "take": "1"}, {"action": "erase"},
        {"action": "note", "frame": 99, "text": ""}, {"action": "mark", "frame": 3, "state": "x"},
        {},
    ):  # fmt: skip
        status, said = await served.do(**wrong)
        assert status == 409
        assert said.endswith(".")


async def test_who_lacks_the_key_or_comes_from_elsewhere_is_refused(served: Served) -> None:
    async with ClientSession() as stranger, stranger.get(f"{served.origin}/state") as answer:
        assert answer.status == 403
    for origin in ({}, {"Origin": "http://elsewhere.example"}):
        async with served.client.post(
            f"{served.origin}/do", json={"action": "undo"}, headers=origin
        ) as answer:
            assert answer.status == 403
    for path in (
        "/take/999", "/take/1/normal/3/0/0", "/take/1/normal/1/9/9", "/take/1/x/1/0/0",
    ):  # fmt: skip
        async with served.client.get(served.origin + path) as answer:
            assert answer.status == 409, path
            assert (await answer.json())["error"]
    async with served.client.post(
        f"{served.origin}/do", data=b"[" * 3000, headers={"Origin": served.origin}
    ) as answer:
        assert answer.status == 409


async def test_terminal_and_window_show_the_same(
    archive: Archive, roll: Roll, judge: Judge, bench: BenchProcess
) -> None:
    BenchBook(archive.store).keep(BenchSetup("Table 1"))
    window = Window(listen(0))
    context = AppContext(
        archive=archive,
        connect=lambda port: connect(port, QUICK.camera),
        judge=judge,
        settings=QUICK,
        port=bench.port_name,
        roll=roll.name,
        simulated=SimulatedHand(bench, roll),
        window=window,
    )
    app = TetherApp(context)
    async with (
        app.run_test(size=(80, 24)) as pilot,
        ClientSession(cookie_jar=CookieJar(unsafe=True)) as client,
    ):
        await until(pilot, lambda: ready(pilot))
        async with client.get(window.address) as page:
            assert page.status == 200
        assert app.port is not None
        served = Served(app.port, client, window.address)
        assert (await served.do(action="go", frame=4))[0] == 200
        table = app.screen
        assert isinstance(table, Worktable)
        await until(pilot, lambda: table.view is not None and table.view.place.frame == 4)
        await served.do(action="note", frame=4, text="Pier")
        await until(pilot, lambda: table.view is not None and table.view.frames[3].note == "Pier")
    app.shut()
    async with ClientSession() as late:
        with pytest.raises(ClientConnectionError):
            await late.get(window.address)


async def test_frames_are_circled_on_the_proof(
    archive: Archive, judge: Judge, tmp_path: Path
) -> None:
    sleeves = SleevePage(FILMS[FilmProcess.BW_NEGATIVE], FILM_FORMATS["135"], (3,), scale=4.0)
    picture = tmp_path / "page.png"
    photographed(sleeves, lambda n, w, h: paint(n, 3, w, h, False))[0].save(picture)
    new = NewRoll("Album", FilmProcess.BW_NEGATIVE, "135", 1, 0)
    make_proof(archive, new, ProofWish([picture]), lambda _: None)
    thread, window = SessionThread(), Window(listen(0))
    roll = archive.store.rolls.named("Album")
    port = SessionPort(thread, await thread.run(lambda: Session(archive, roll, None, judge, QUICK)))
    await window.start(port)
    await port.view()
    async with ClientSession(cookie_jar=CookieJar(unsafe=True)) as client:
        async with client.get(window.address) as page:
            assert page.status == 200
        served = Served(port, client, window.address)
        assert await served.json("/proof") == {"frames": [1, 2, 3], "circled": {}}
        assert max((await served.picture("/proof/2")).size) == 320
        said = await served.do(action="circle", frame=2, word="Ann\x1b")
        assert said == (200, "1 of 3 frames are circled.")
        assert (await served.json("/proof"))["circled"] == {"2": "Ann\ufffd"}
        words = [frame["word"] for frame in (await served.json("/state"))["frames"]]
        assert words == ["skipped", "open", "skipped"]
        assert (await served.do(action="circle", frame=9, word=""))[0] == 409
        assert (await served.do(action="circle", frame=2, word=None))[0] == 200
        assert (await served.json("/proof"))["circled"] == {}
    await window.close()
    thread.close()
    port.close()


@pytest.mark.skipif(PROGRAM is None, reason="the program chromium is not installed")
async def test_in_a_browser_the_take_is_drawn_and_a_key_goes_to_the_next_frame(
    served: Served, tmp_path: Path
) -> None:
    async def comes(expression: str) -> None:
        for _ in range(400):
            if await page.value(expression):
                return
            await asyncio.sleep(0.05)
        pytest.fail(f"never came: {expression}")

    key = next(iter(served.client.cookie_jar)).value
    drawn = """(() => {
      const canvas = document.querySelector(".pane canvas");
      if (!canvas?.width) return false;
      const data = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data;
      return new Set(data.filter((_, i) => i % 4 === 0)).size > 50;
    })()"""
    async with browser(tmp_path / "profile") as page:
        await page.open(f"{served.origin}/?key={key}")
        await comes("document.getElementById('take').textContent.startsWith('Frame 2, take 1')")
        await comes(drawn)
        await page.value("document.getElementById('keep').click()")
        await comes("document.getElementById('said').textContent.includes('is kept')")
        await page.press("1")
        await comes("document.getElementById('size').textContent === '100 %'")
        await comes(drawn)
        await page.value("document.querySelector('[data-frame=\"1\"]').click()")
        await comes("document.getElementById('take').textContent.startsWith('Frame 1, take 1')")
        assert page.complaints == []
        assert all(url.startswith((served.origin, "data:")) for url in page.requested)
