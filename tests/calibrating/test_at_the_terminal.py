"""The whole dialogue, typed at a real terminal, against a meter on a pseudo-terminal: beside the watch and without it."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pexpect

from tests.end_to_end.replaying import replay_differences
from tests.end_to_end.shed import GOOD, Shed
from tests.services import wait_until
from vatwatch.chemistry.buffers import Buffer, buffer_ph
from vatwatch.chemistry.nernst import nernst_slope_mv
from vatwatch.records import Calibration, Scan
from vatwatch.store import inbox
from vatwatch.terms import Signal

FOR_EVER = 2**62


@contextmanager
def dialogue(shed: Shed, probe: str, *options: str) -> Iterator[pexpect.spawn[str]]:
    child = pexpect.spawn(
        sys.executable,
        ["-m", "vatwatch.cli", "calibrate", probe, "--hold", "2", *options, "--config", str(shed.config)],
        encoding="utf-8",
        timeout=30,
        dimensions=(40, 200),
    )
    try:
        yield child
    finally:
        child.close(force=True)


def ended_with(child: pexpect.spawn[str]) -> int | None:
    child.expect(pexpect.EOF)
    child.wait()
    status: int | None = child.exitstatus
    return status


def through_buffers(shed: Shed, child: pexpect.spawn[str], readings: Sequence[tuple[str, str]]) -> None:
    """Answer for each cup: its lot, its temperature, and stand the probe in it (reading as the meter says it)."""
    for lot, shown in readings:
        child.expect("Lot on the bottle")
        child.sendline(lot)
        child.expect("Temperature in the cup")
        child.sendline("21")
        child.expect("press Enter")
        shed.set_liquor(f"{shown} -700.0 30.00")
        child.sendline("")


def calibrate_beside_the_watch(shed: Shed, seven: str, ten: str) -> None:
    with dialogue(shed, "tub-ph", "--within", "40") as child:
        child.expect("Which buffers")
        child.sendline("7 10")
        child.expect("same cup")
        child.sendline("n")
        child.expect("tub-ph may leave the vat now")
        wait_until(lambda: last_scan(shed).ph.reason == "out for calibration", "the pH withdrawn")
        assert last_scan(shed).ph.value is None
        through_buffers(shed, child, [("A-117", seven), ("", ten)])
        child.expect("Accepted: the running watch has taken it")
        child.expect("Due again on")
        child.expect("press Enter")
        shed.set_liquor(GOOD)
        child.sendline("")
        child.expect("counts it as back")
        assert ended_with(child) == 0


def last_scan(shed: Shed) -> Scan:
    with shed.reader() as reader:
        scan = reader.last_scan("tub")
    assert scan is not None
    return scan


def history(shed: Shed) -> list[Calibration]:
    with shed.reader() as reader:
        return reader.calibrations("tub-ph")


def versions(shed: Shed) -> list[int]:
    with shed.reader() as reader:
        return [slot.settings_version for slot in reader.replay_slots("tub", 0, FOR_EVER)]


def test_beside_the_running_watch_and_again_without_stopping_it(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        shed.plug_in()
        shed.start()
        shed.wait_for_scans(3)
        before = last_scan(shed)
        calibrate_beside_the_watch(shed, "7.06", "9.97")
        wait_until(lambda: last_scan(shed).ph.value is not None, "the pH back")
        first = history(shed)[-1]
        assert first.accepted
        assert [(point.solution, point.lot) for point in first.points] == [
            ("phosphate-technical", "A-117"),
            ("carbonate", ""),
        ]
        assert first.points[0].expected == buffer_ph(Buffer.PHOSPHATE_TECHNICAL, 21.0)
        # The same liquor, read with the new calibration: what it shows has moved by what was found.
        after = last_scan(shed)
        k = nernst_slope_mv(30.0)
        assert first.offset is not None
        assert first.slope_share is not None
        expected = 7.0 + (first.offset + (11.0 - 7.0) * k) / (first.slope_share * k)
        assert after.ph.value is not None
        assert abs(after.ph.value - expected) < 1e-9
        assert after.ph.value != before.ph.value

        calibrate_beside_the_watch(shed, "7.10", "10.02")
        wait_until(lambda: last_scan(shed).ph.value is not None, "the pH back")
        assert [c.accepted for c in history(shed)] == [True, True]
        assert sorted(set(versions(shed))) == [1, 2, 3]
        with shed.reader() as reader:
            assert not list(reader.pushes(0, FOR_EVER)), "a probe in a buffer raised an alarm"
            told = [entry.kind.value for entry in reader.journal("tub", 0, FOR_EVER)]
        assert told == ["probe-out", "probe-back"] * 2
        assert shed.stop() == 0

        shed.start()
        count = shed.scans()
        shed.wait_for_scans(count + 2)
        assert versions(shed)[-1] == 3, "a restart uses the newest calibration"
        listed = shed.run("calibrate", "tub-ph", "--history").stdout
        assert listed.count("accepted") == 2
        assert "lot A-117" in listed
        assert "due again on" in shed.run("now").stdout
        assert shed.stop() == 0
        slots, differences = replay_differences(shed.store_path, "tub")
        assert slots > 20
        assert differences == []


def test_without_a_watch_the_port_is_opened_and_the_result_written(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        shed.plug_in()
        with dialogue(shed, "tub-ph", "--within", "40") as child:
            child.expect("Which buffers")
            child.sendline("7 nine")
            child.expect("expected one to three")
            child.sendline("7, 10, 12.45")
            child.expect("same cup")
            child.sendline("n")
            child.expect("No watch is running")
            lime = f"{buffer_ph(Buffer.LIME_SATURATED, 21.0):.2f}"
            through_buffers(shed, child, [("", "7.05"), ("B 2", "10.05"), ("", lime)])
            child.expect("Accepted: it is kept in the store")
            assert ended_with(child) == 0
        assert len(history(shed)[0].points) == 3
        shed.set_liquor(GOOD)
        shed.start()
        shed.wait_for_scans(2)
        found = history(shed)[0]
        assert found.offset is not None
        assert found.slope_share is not None
        k = nernst_slope_mv(30.0)
        value = last_scan(shed).ph.value
        assert value is not None
        assert abs(value - (7.0 + (found.offset + 4.0 * k) / (found.slope_share * k))) < 1e-9
        assert shed.stop() == 0


def test_a_cracked_electrode_is_refused_and_nothing_changes(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        shed.plug_in()
        shed.start()
        shed.wait_for_scans(2)
        with dialogue(shed, "tub-ph", "--within", "40") as child:
            child.expect("Which buffers")
            child.sendline("")
            child.expect("same cup")
            child.sendline("")
            through_buffers(shed, child, [("", "7.02"), ("", "7.03")])
            child.expect("Refused, broken glass")
            child.expect("stays in force")
            child.expect("press Enter")
            child.sendline("")
            assert ended_with(child) == 1
        assert [(c.accepted, c.fault) for c in history(shed)] == [(False, "broken glass")]
        assert set(versions(shed)) == {1}
        assert shed.stop() == 0


def test_a_raw_electrode_with_the_thermometer_in_the_cup(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        text = shed.config.read_text(encoding="utf-8").replace('signal = "ph"', 'signal = "ph_mv"')
        text = text.replace("(?P<ph>[0-9.]+)", "(?P<ph>-?[0-9.]+)")
        kept = [line for line in text.splitlines() if not line.startswith("calibration =")]
        shed.config.write_text("\n".join(kept), encoding="utf-8")
        shed.set_liquor("-3.0 -700.0 22.00")
        shed.plug_in()
        with dialogue(shed, "tub-ph", "--within", "40") as child:
            child.expect("Which buffers")
            child.sendline("7 10")
            child.expect("same cup")
            child.sendline("y")
            for mv in ("-3.0", "-178.0"):
                child.expect("Lot on the bottle")
                child.sendline("")
                child.expect("press Enter")
                shed.set_liquor(f"{mv} -700.0 22.00")
                child.sendline("")
                child.expect(f"Steady at {mv} mV")
                child.expect("in 22.0 °C")
            child.expect("offset ")
            child.expect("slope ")
            child.expect("Accepted")
            assert ended_with(child) == 0
        assert history(shed)[0].signal == "ph_mv"


def test_an_orp_probe_in_zobells_and_a_thermometer_beside_another(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        shed.set_liquor("7.00 225.0 24.00")
        shed.plug_in()
        with dialogue(shed, "tub-orp", "--within", "40") as child:
            child.expect("Which one")
            child.sendline("zobell")
            child.expect("same cup")
            child.sendline("n")
            child.expect("never together with acid")
            child.expect("Lot")
            child.sendline("Z1")
            child.expect("Temperature in the cup")
            child.sendline("99")
            child.expect("ZoBell")
            child.sendline("25")
            child.expect("press Enter")
            child.sendline("")
            child.expect("off by .* good")
            child.expect("Accepted")
            assert ended_with(child) == 0
        with dialogue(shed, "tub-t", "--within", "40") as child:
            child.expect("other thermometer say")
            child.sendline("24.6")
            child.expect("press Enter")
            child.sendline("")
            child.expect("are added: good")
            child.expect("Accepted")
            assert ended_with(child) == 0
        with shed.reader() as reader:
            found = {c.probe: c.offset for c in reader.calibrations()}
        assert found["tub-orp"] is not None
        assert abs(found["tub-orp"]) < 10
        assert abs((found["tub-t"] or 0) - 0.6) < 1e-9


def test_a_calibration_of_impossible_numbers_is_set_aside_and_the_watch_goes_on(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        shed.plug_in()
        shed.start()
        shed.wait_for_scans(2)
        wrong = Calibration(
            "wrong", last_scan(shed).slot_ms, "tub", "tub-ph", Signal.PH, accepted=True, offset=1e9, offset_sigma=1.0,
            slope_share=1.0, slope_share_sigma=0.1,
        )  # fmt: skip
        path = inbox.drop(shed.store_path.parent / "inbox", wrong)
        wait_until(lambda: not path.exists(), "the calibration collected")
        reason = path.parent / "rejected" / (path.name + ".reason")
        assert "offset" in reason.read_text(encoding="utf-8")
        shed.wait_for_scans(shed.scans() + 2)
        assert history(shed) == []
        assert set(versions(shed)) == {1}
        assert shed.run("note", "tub", "probe-out", "tub-hp").returncode == 2
        assert shed.stop() == 0


def test_leaving_the_dialogue_keeps_nothing_and_an_unknown_probe_is_named(tmp_path: Path) -> None:
    with Shed(tmp_path) as shed:
        shed.plug_in()
        refused = shed.run("calibrate", "tub-hp")
        assert refused.returncode == 2
        assert "tub-ph" in refused.stderr
        with dialogue(shed, "tub-ph") as child:
            child.expect("Which buffers")
            # A key struck in the very moment the prompt is set up can be lost; a person strikes it again.
            for _ in range(20):
                child.sendintr()
                if child.expect(["nothing was kept", pexpect.TIMEOUT], timeout=1) == 0:
                    break
            assert ended_with(child) == 1
        assert not shed.store_path.exists()
