"""The benchmark of the export, short: every sample that was made comes out, in each form."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.export.__main__ import A_SLOT, main


def test_every_sample_comes_out(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["--into", str(tmp_path), "--samples", str(130 * A_SLOT)]
    main(asked)
    for form, head in (("csv", 1), ("line-protocol", 0)):
        main([*asked, "--as", form])
        suffix = {"csv": "csv", "line-protocol": "lp"}[form]
        lines = (tmp_path / form / f"samples.{suffix}").read_text(encoding="utf-8").splitlines()
        assert len(lines) - head == 130 * A_SLOT
    said = capsys.readouterr().out
    assert said.count("held at most") == 20
