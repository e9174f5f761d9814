"""What `check` says of a place for the record that cannot be one."""

from __future__ import annotations

from pathlib import Path

from vatwatch.checkup import check_all

SETTINGS = """\
[site]
id = "shed"
data = "{data}"

[vat.tub]
name = "Tub"
chemistry = "hydrosulfite"

[port.left]
device = "{device}"

[[port.left.line]]
pattern = 'T=(?P<t>-?[0-9.]+)'

[probe.tub-t]
vat = "tub"
port = "left"
field = "t"
signal = "temperature_c"
"""


def test_a_file_in_the_place_of_the_records_directory(tmp_path: Path) -> None:
    place, settings = tmp_path / "record", tmp_path / "vatwatch.toml"
    place.write_text("mine")
    for data in (place, place / "below"):
        settings.write_text(SETTINGS.format(data=data, device=tmp_path / "no-port"))
        said = {finding.line() for finding in check_all(settings, push=False, listen_s=0)}
        assert any(line.startswith("MEND") and f"{place} is a file" in line for line in said), said
