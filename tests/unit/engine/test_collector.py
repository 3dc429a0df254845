import gc
import threading
import weakref

import pytest

from contractor.engine.collector import collector_paused, keep_for_good


def test_nothing_is_collected_inside_and_all_is_as_before_behind():
    with collector_paused():
        assert not gc.isenabled()

    assert gc.isenabled()


def test_an_error_inside_does_not_leave_it_paused():
    with pytest.raises(ValueError, match="inside"), collector_paused():
        raise ValueError("inside")

    assert gc.isenabled()


def test_the_last_of_several_threads_goes_on_with_it():
    leave = threading.Event()
    entered = threading.Event()

    def stay():
        with collector_paused():
            entered.set()
            leave.wait(60)

    other = threading.Thread(target=stay)
    with collector_paused():
        other.start()
        entered.wait(60)
    still_paused = not gc.isenabled()
    leave.set()
    other.join(60)

    assert still_paused
    assert gc.isenabled()


def test_who_has_switched_it_off_finds_it_off():
    gc.disable()
    try:
        with collector_paused():
            pass
        assert not gc.isenabled()
    finally:
        gc.enable()


def test_what_is_kept_for_good_is_passed_over_and_later_garbage_is_not():
    class Loop:
        def __init__(self):
            self.itself = self

    limits = gc.get_threshold()
    try:
        keep_for_good()
        kept = gc.get_freeze_count()
        later = weakref.ref(Loop())
        gc.collect()

        assert kept > 1000
        assert later() is None
        assert gc.get_threshold()[0] > limits[0], "a page's rows set off a dozen collections"
    finally:
        gc.unfreeze()
        gc.set_threshold(*limits)
