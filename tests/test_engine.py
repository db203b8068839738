"""The engine runs every task once, bounds what is in flight, stops cleanly and costs little per tile."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest

from tilepipe.run.engine import Engine


def test_every_task_runs_once_and_results_keep_their_order() -> None:
    with Engine(2) as engine:
        assert engine.run_bag("bag", range(500), lambda index: index * index) == [index * index for index in range(500)]


def test_no_more_tiles_are_in_flight_than_workers() -> None:
    now = most = 0
    lock = threading.Lock()

    def work(index: int) -> None:
        nonlocal now, most
        with lock:
            now += 1
            most = max(most, now)
        time.sleep(0.001)
        with lock:
            now -= 1

    with Engine(3) as engine:
        engine.run_bag("bag", range(60), work)
    assert most == 3


def test_a_failure_stops_the_bag() -> None:
    seen: list[int] = []

    def work(index: int) -> None:
        seen.append(index)
        if index == 5:
            raise ValueError("tile 5")
        time.sleep(0.002)

    with Engine(2) as engine, pytest.raises(ValueError, match="tile 5"):
        engine.run_bag("bag", range(1000), work)
    assert len(seen) < 1000


def test_events_tell_progress_and_warnings_are_kept() -> None:
    events: list[dict[str, Any]] = []
    with Engine(1, events.append) as engine:
        engine.run_bag("bag", [2, 3], lambda index: None, total=4)
        engine.tell("warning", text="look")
    assert [event["done"] for event in events if event["event"] == "tile"] == [3, 4]
    assert engine.warnings == [{"text": "look"}]


def test_an_empty_bag_is_finished() -> None:
    with Engine(1) as engine:
        assert engine.run_bag("bag", [], lambda index: index) == []
