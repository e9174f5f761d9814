"""Every kind of mistake in a settings file is told with file, table, key, what was given and what is expected."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vatwatch import assembly, destinations
from vatwatch.chemistry.alkali import Alkali, ph_equivalent_25c
from vatwatch.config import check_config, load_config
from vatwatch.errors import ConfigError
from vatwatch.vat.recipes import RECIPES, Chemistry, Fibre

GOOD = """
[site]
timezone = "Europe/Lisbon"

[vat.tub]
chemistry = "fructose-lime"
volume_l = 40

[port.left]
device = "/dev/ttyUSB0"

[[port.left.line]]
delimiter = ","
fields = ["ph", "orp", "-", "t"]

[probe.tub-ph]
vat = "tub"
port = "left"
field = "ph"
signal = "ph"

[probe.tub-orp]
vat = "tub"
port = "left"
field = "orp"
signal = "orp_mv"
reference = "agcl_3m_kcl"

[probe.tub-t]
vat = "tub"
port = "left"
field = "t"
signal = "temperature_c"
"""


def load(tmp_path: Path, text: str) -> str:
    """The message for `text`, or "" when it is in order."""
    path = tmp_path / "shed.toml"
    path.write_text(text, encoding="utf-8")
    try:
        config = load_config(path)
        assembly.vat_settings(config, str(path))
        assembly.port_settings(config, str(path))
    except ConfigError as error:
        return str(error).replace(str(path), "FILE")
    return ""


def test_a_good_file_is_taken(tmp_path: Path) -> None:
    assert load(tmp_path, GOOD) == ""


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("[site]", "[site]\nnaem = 'x'"), "FILE, table [site]: unknown key naem (did you mean name?)"),
        (("[vat.tub]", "[vats.tub]"), "unknown key vats (did you mean vat?)"),
        (("volume_l = 40", "volume_l = 'big'"), 'FILE, table [vat.tub], key volume_l: given "big", expected a valid'),
        (("volume_l = 40", "volume_l = -1"), "table [vat.tub], key volume_l: given -1, expected greater than 0"),
        (("volume_l = 40", "volume_l = nan"), "key volume_l: given nan, expected a finite number"),
        (('"fructose-lime"', '"fructose"'), "table [vat.tub], key chemistry: given \"fructose\", expected 'hydro"),
        (('chemistry = "fructose-lime"\n', ""), "table [vat.tub]: key chemistry (how the vat is made) is missing"),
        (("Europe/Lisbon", "Lisbon"), 'key timezone: given "Lisbon", expected an IANA time zone'),
        (('vat = "tub"\nport = "left"\nfield = "ph"', 'vat = "tib"\nport = "left"\nfield = "ph"'),
         'table [probe.tub-ph], key vat: given "tib", expected one of: tub (did you mean tub?)'),
        (('port = "left"\nfield = "t"', 'port = "right"\nfield = "t"'), "key port: given \"right\", expected one"),
        (('field = "t"', 'field = "temp"'), "field is 'temp', which port left does not give; expected one of"),
        (('reference = "agcl_3m_kcl"\n', ""), "an ORP probe needs `reference`"),
        (("agcl_3m_kcl", "agcl"), "key reference: given \"agcl\", expected"),
        (("[vat.tub]", "[vat.Tub]"), "expected a short name of small letters, digits and hyphens"),
        (("volume_l = 40", "window = { ph_low = 12, ph_high = 11 }"), "ph_low is 12 and ph_high is 11"),
        (("volume_l = 40", "window = { ceiling_c = 40 }"), "table [vat.tub]: window: temperature_high_c is 50"),
        (("volume_l = 40", "window = { ph_low = 19 }"), "table [vat.tub.window], key ph_low: given 19, expected less"),
        (('"fructose-lime"', '"iron-lime"\nfibre = "protein"'), "a iron-lime vat does not suit protein fibre"),
        (('signal = "ph"\n', 'signal = "ph"\ncalibration = { buffers_ph = [7, 10], readings_ph = [7] }\n'),
         "as many readings as buffers_ph"),
        (('signal = "ph"\n', 'signal = "ph"\ncalibration = { buffers_ph = [7, 7.2], readings_ph = [7, 7.2] }\n'),
         "only 0.20 pH apart"),
        (('signal = "ph"\n', 'signal = "ph"\ncalibration = { buffers_ph = [7, 10], readings_mv = [0, -170] }\n'),
         "is calibrated with readings_ph"),
        (('delimiter = ","', 'pattern = "("'), "table [port.left]"),
        (("[site]", "[phone.me]\n[site]"), "exactly one of url_file and url"),
        (("[site]", '[page]\nhost = "0.0.0.0"\n[site]'),
         "table [page]: a page that others on the network can reach needs passphrase_file"),
        (("[site]", "[site"), "FILE: is not TOML"),
    ],
)  # fmt: skip
def test_each_mistake_is_named(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    assert change[0] in GOOD
    said = load(tmp_path, GOOD.replace(change[0], change[1], 1))
    assert message in said


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    said = load(tmp_path, GOOD.replace("volume_l = 40", "volume_l = 0").replace("[site]", "[site]\nscan_s = 0"))
    assert len(said.splitlines()) == 2


def test_a_file_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read"):
        load_config(tmp_path / "none.toml")
    path = tmp_path / "binary.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ConfigError, match="not UTF-8"):
        load_config(path)


def test_the_stored_text_gives_the_same_vats(tmp_path: Path) -> None:
    path = tmp_path / "shed.toml"
    path.write_text(GOOD)
    config = load_config(path)
    assert assembly.vat_settings_from_text(assembly.judgement_text(config)) == assembly.vat_settings(config)
    assert config.site.data.is_absolute()


def test_a_window_stated_hot_is_kept_as_its_25_degree_equivalent() -> None:
    """Woad's pH 9 to 9.5 is meant at 47 °C (Padden, John et al. 1998): higher at 25 °C, as ash lye is."""
    raw = {"vat": {"w": {"chemistry": "woad"}}}
    window = assembly.vat_settings(check_config(raw, "x"))["w"].window
    assert window.ph_low == pytest.approx(ph_equivalent_25c(9.0, 47.0, Alkali.POTASH))
    assert 9.1 < window.ph_low < 9.9


@pytest.mark.parametrize("chemistry", list(Chemistry))
@pytest.mark.parametrize("fibre", ["cellulose", "protein"])
def test_every_chemistry_and_fibre_makes_a_window_or_says_why_not(chemistry: Chemistry, fibre: str) -> None:
    raw = {"vat": {"w": {"chemistry": chemistry.value, "fibre": fibre}}}
    if RECIPES[chemistry].ph_window(Fibre(fibre)) is None:
        with pytest.raises(ConfigError, match="does not suit"):
            check_config(raw, "x")
        return
    window = assembly.vat_settings(check_config(raw, "x"))["w"].window
    assert 7 < window.ph_low < window.ph_high < 13.5


SCALARS = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8))
TREES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
)
TABLES = st.sampled_from(["site", "vat", "port", "probe", "mqtt", "influx", "phone", "page", "oddity"])


@given(st.dictionaries(TABLES, TREES, max_size=4))
@settings(max_examples=300, deadline=None)
def test_whatever_the_file_holds_the_answer_is_settings_or_a_config_error(raw: dict[str, object]) -> None:
    said = ["odd.toml"]
    try:
        config = check_config(raw, "odd.toml")
        assembly.vat_settings(config, "odd.toml")
        assembly.port_settings(config, "odd.toml")
    except ConfigError as error:
        said = str(error).splitlines()
    assert all("odd.toml" in line for line in said)


def test_secrets_are_read_from_their_file_and_never_shown(tmp_path: Path) -> None:
    secret = tmp_path / "token"
    secret.write_text("hush-hush\nmore\n")
    assert destinations.read_secret(secret, "f", "influx", "token_file") == "hush-hush"
    secret.write_text("\n")
    with pytest.raises(ConfigError, match="is empty"):
        destinations.read_secret(secret, "f", "influx", "token_file")
    with pytest.raises(ConfigError, match=r"table \[influx\], key token_file: .* cannot be read"):
        destinations.read_secret(tmp_path / "none", "f", "influx", "token_file")
