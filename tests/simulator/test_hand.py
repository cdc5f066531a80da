"""The hand: what it moves, and how long its mishaps last."""

from __future__ import annotations

import pytest
from tether_simulator.hand import Hand
from tether_simulator.mishaps import CREEPING, MISHAPS


@pytest.fixture
def hand() -> Hand:
    return Hand(12, 6)


def test_the_bench_begins_with_an_open_gate(hand: Hand) -> None:
    assert hand.frame is None
    assert hand.lamp_on
    hand.go_to(4)
    assert hand.frame == 4
    hand.remove_film()
    assert hand.frame is None


@pytest.mark.parametrize("frame", [0, 13, -1])
def test_there_is_no_such_frame(hand: Hand, frame: int) -> None:
    with pytest.raises(ValueError, match="1 to 12"):
        hand.go_to(frame)


def test_a_move_that_fails_fails_once(hand: Hand) -> None:
    hand.go_to(1)
    hand.mishap("not-advanced")
    hand.go_to(2)
    assert hand.frame == 1
    hand.go_to(2)
    assert hand.frame == 2


def test_half_way_lies_between_two_frames_until_moved_again(hand: Hand) -> None:
    hand.go_to(1)
    hand.mishap("half-way")
    assert hand.active == ("half-way",)
    hand.go_to(2)
    assert hand.state.position == 1.5
    assert hand.active == ()
    hand.go_to(2)
    assert hand.state.position == 2.0


def test_a_loading_keeps_its_mishap_until_the_next_strip(hand: Hand) -> None:
    hand.go_to(1)
    hand.mishap("wrong-side")
    hand.go_to(6)
    assert hand.active == ("wrong-side",)
    hand.go_to(7)
    assert hand.active == ()


@pytest.mark.parametrize("how", ["reload", "remove_film", "clear"])
def test_reloading_puts_the_strip_right(hand: Hand, how: str) -> None:
    hand.go_to(3)
    hand.mishap("tilted-strip")
    getattr(hand, how)()
    assert hand.state.mishaps == frozenset()
    assert hand.frame == (None if how == "remove_film" else 3)


def test_a_mishap_of_the_bench_outlasts_the_strip(hand: Hand) -> None:
    hand.go_to(1)
    hand.mishap("room-light")
    hand.go_to(9)
    hand.remove_film()
    assert hand.active == ("room-light",)
    hand.put_right("room-light")
    assert hand.active == ()


def test_a_pictures_fault_stays_with_its_frame(hand: Hand) -> None:
    hand.go_to(5)
    hand.mishap("scratched")
    hand.go_to(6)
    assert hand.active == ()
    hand.go_to(5)
    assert hand.active == ("scratched",)


def test_every_label_says_how_it_is_put_right(hand: Hand) -> None:
    assert hand.mishaps() == tuple((m.code, m.label, m.lasts.value) for m in MISHAPS)
    assert len({code for code, *_ in hand.mishaps()}) == len(MISHAPS)


def test_blank_film_lies_in_the_gate_until_a_frame_is_brought_there(hand: Hand) -> None:
    hand.go_to(4)
    hand.mishap("tilted-strip")
    hand.lay_blank()
    assert hand.blank_film
    assert hand.frame is None
    assert hand.state.film
    assert hand.state.position == 0.0
    assert hand.state.mishaps == frozenset()
    hand.go_to(4)
    assert not hand.blank_film
    assert hand.state.position == 4.0
    hand.lay_blank()
    hand.remove_film()
    assert not hand.blank_film


@pytest.mark.parametrize("code", sorted(CREEPING))
def test_what_creeps_grows_with_every_move_until_it_is_put_right(hand: Hand, code: str) -> None:
    hand.go_to(1)
    hand.mishap(code)
    hand.go_to(2)
    hand.go_to(3)
    assert hand.state.creep == ((code, 3),)
    hand.put_right(code)
    assert hand.state.creep == ()
    hand.mishap(code)
    assert hand.state.creep == ((code, 1),)
    hand.clear()
    assert hand.state.creep == ()


@pytest.mark.parametrize("call", ["mishap", "put_right"])
def test_unknown_mishaps_are_refused(hand: Hand, call: str) -> None:
    with pytest.raises(ValueError, match="known: not-advanced"):
        getattr(hand, call)("earthquake")
