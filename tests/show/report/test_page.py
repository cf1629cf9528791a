"""The page of a report: what must be in it, sealed data, escaping, colours that everybody can tell apart."""

from __future__ import annotations

import base64
import gzip
import hashlib
import itertools
import json
import re
from pathlib import Path

import numpy as np
import pytest
from demonstration import LANTERN, Checked
from report_pages import HOSTILE, hostile_page

from harness.judge.published import read_published, sealed
from harness.show.report import texts, views
from netlists.errors import RecordError

CSS = Path(views.__file__).parents[1] / "palette.css"


@pytest.fixture(scope="module")
def text(reported: Path) -> str:
    return reported.read_text(encoding="utf-8")


def test_it_has_all_a_report_needs(text: str, checked: Checked) -> None:
    for words in (
        "An opened supply can kill", "isolating transformer", "no safety certificate", "Local codes", "cannot tell",
        "flips at", "bulkrail report --readings", "Measured beside predicted", "Block diagram:", "recorded only",
        "thermistor", "Waveforms", "<math", "130 further margins", "assumed", "c1-sleeve.jpg", "ECSS-Q-ST-30-11C",
        f"SHA-256 {hashlib.sha256(LANTERN.read_bytes()).hexdigest()}", "holdup time of bulk 14.76",
    ):  # fmt: skip
        assert words in text, words
    assert len(re.findall(r'id="m\d+"', text)) == len(checked.json["metrics"])
    assert len(text.encode()) < 2_000_000


def test_it_asks_for_nothing_and_runs_nothing(text: str) -> None:
    assert not re.findall(
        r"""<\w[^<>]*\s(?:src|srcset|data|action|poster|on\w+)\s*=|@import|url\((?!#)|<link|<iframe""", text
    )
    assert re.findall(r"<script[^>]*>", text) == [
        f'<script type="application/gzip" id="bulkrail-data" data-sha256="{_seal(text)}">'
    ]
    assert "default-src 'none'" in text
    assert {match.split("#")[0] for match in re.findall(r'href="([^"]*)"', text)} == {""}


def test_every_link_has_its_target_and_every_id_is_once(text: str) -> None:
    ids = re.findall(r'\bid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', text)) <= set(ids)


def _seal(text: str) -> str:
    return re.search(r'data-sha256="([0-9a-f]{64})"', text)[1]  # type: ignore[index]


def test_the_data_in_it_are_the_assessment_record_and_limits(reported: Path, checked: Checked) -> None:
    block = re.search(r'id="bulkrail-data"[^>]*>([^<]*)<', reported.read_text(encoding="utf-8"))
    assert block is not None
    plain = gzip.decompress(base64.b64decode(block[1]))  # by the standard's own readers, without ours
    content = json.loads(plain)
    assert hashlib.sha256(plain).hexdigest() == _seal(reported.read_text(encoding="utf-8"))
    assert content["assessment"] == checked.json
    assert content["record_text"] == LANTERN.read_text(encoding="utf-8")
    assert content["limits_text"] == LANTERN.with_name("lantern-65.limits.toml").read_text(encoding="utf-8")
    published, seal = read_published(reported)
    assert (published.assessment, seal) == (content["assessment"], _seal(reported.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("49.98\N{NO-BREAK SPACE}A", "39.98\N{NO-BREAK SPACE}A", "its text was changed"),
        ('id="bulkrail-data" data-sha256="', 'id="bulkrail-data" data-sha256="0', "no sealed data"),
        (">H4sI", ">H4sJ", "its data"),
        ("Local codes and", "Local codes or", "its text was changed"),
        ("bulkrail-seal", "bulkrail-sale", "no sealed data"),
    ],
)
def test_a_page_edited_by_hand_is_refused(text: str, tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in text
    file = tmp_path / "edited.html"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RecordError, match=says) as caught:
        read_published(file)
    assert len(str(caught.value).splitlines()) == 1


def test_data_swapped_for_others_do_not_match_their_seal(text: str, tmp_path: Path) -> None:
    block = re.search(r'id="bulkrail-data"[^>]*>([^<]*)<', text)
    assert block is not None
    content = json.loads(gzip.decompress(base64.b64decode(block[1])))
    content["assessment"]["metrics"][0]["value"] = 1.0
    other = base64.b64encode(gzip.compress(json.dumps(content).encode())).decode()
    file = tmp_path / "edited.html"
    file.write_text(text.replace(block[1], other), encoding="utf-8")
    with pytest.raises(RecordError, match="do not match their seal"):
        read_published(file)


@pytest.mark.parametrize("content", ["", "<html></html>", "not a page", '{"schema": 1}'])
def test_what_is_no_report_is_refused_in_a_line(tmp_path: Path, content: str) -> None:
    file = tmp_path / "other.html"
    file.write_text(content, encoding="utf-8")
    with pytest.raises(RecordError, match=r"not a report of bulkrail"):
        read_published(file)
    with pytest.raises(RecordError, match="cannot be read"):
        read_published(tmp_path / "none.html")
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(RecordError, match="UTF-8"):
        read_published(file)


@pytest.mark.parametrize("data", [b"[]", b"{}", b'{"schema":1}', b'{"schema":1,"a":NaN}', b"no", b'{"schema":2}'])
def test_sealed_data_that_are_none_of_ours_are_refused(tmp_path: Path, data: bytes) -> None:
    """Somebody may seal anything; it is checked as any input."""
    block = base64.b64encode(gzip.compress(data)).decode()
    page = (
        f'<meta name="bulkrail-seal" content="{"0" * 64}"><script type="application/gzip" id="bulkrail-data" '
        f'data-sha256="{hashlib.sha256(data).hexdigest()}">{block}</script>'
    )
    file = tmp_path / "other.html"
    file.write_text(sealed(page), encoding="utf-8")
    with pytest.raises(RecordError):
        read_published(file)


def test_a_bomb_is_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.judge.published.LARGEST_DATA", 1000)
    block = base64.b64encode(gzip.compress(b" " * 100_000)).decode()
    file = tmp_path / "bomb.html"
    head = f'<meta name="bulkrail-seal" content="{"0" * 64}">'
    script = f'<script type="application/gzip" id="bulkrail-data" data-sha256="{"0" * 64}">'
    file.write_text(f"{head}{script}{block}</script>", encoding="utf-8")
    with pytest.raises(RecordError, match="at most 1000 bytes"):
        read_published(file)


def test_everything_of_a_record_is_escaped(tmp_path: Path) -> None:
    text = hostile_page(tmp_path).read_text(encoding="utf-8")
    assert len(re.findall(r"<script", text)) == 1
    for markup in ("<img", "<svg onload", "onmouseover='", "<!--", "</pre></details><svg"):
        assert markup not in text
    assert "&lt;script&gt;window.stolen=1" in text
    assert "{{ 7 * 7 }}" in text  # a template's braces are letters
    assert HOSTILE[5] in text
    read_published(tmp_path / "hostile.html")


PALETTES = re.findall(r":root \{(.*?)\}", CSS.read_text(encoding="utf-8"), re.DOTALL)
# Light transmitted by an eye without the long or the medium cones, in linear RGB; Vienot, Brettel, Mollon, Color
# Research and Application 24 (1999), from memory
BLIND = {
    "protan": np.array([[0.11238, 0.88762, 0], [0.11238, 0.88762, 0], [0.00401, -0.00401, 1]]),
    "deutan": np.array([[0.29275, 0.70725, 0], [0.29275, 0.70725, 0], [-0.02234, 0.02234, 1]]),
    "normal": np.eye(3),
}


def linear(colour: str) -> np.ndarray:
    """Linear RGB of #rrggbb; IEC 61966-2-1."""
    value = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* under D65 of linear sRGB; matrix of IEC 61966-2-1."""
    matrix = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = matrix @ np.clip(rgb, 0, 1) / np.array([0.9505, 1.0, 1.089])
    x, y, z = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


@pytest.mark.parametrize("palette", [0, 1], ids=["light", "dark"])
def test_traces_can_be_told_apart_by_everybody(palette: int) -> None:
    colours = dict(re.findall(r"--(t\d|sheet): (#[0-9a-f]{6})", PALETTES[palette]))
    sheet = linear(colours.pop("sheet"))
    luminance = np.array([0.2126, 0.7152, 0.0722])
    for name, colour in colours.items():  # WCAG 2.2, 1.4.11: 3 to 1 for what a picture needs
        high, low = sorted((luminance @ sheet, luminance @ linear(colour)), reverse=True)
        assert (high + 0.05) / (low + 0.05) >= 3, name
    for eye, matrix in BLIND.items():
        for (one, a), (other, b) in itertools.combinations(colours.items(), 2):
            distance = np.linalg.norm(lab(matrix @ linear(a)) - lab(matrix @ linear(b)))
            assert distance > 20, f"{one} and {other} to a {eye} eye: {distance:.1f}"  # 2.3 can just be seen


@pytest.mark.parametrize(
    ("plain", "printed"),
    [
        ("1.326 ohm (442.1 mohm to 2.21 ohm)", "1.326~Ω (442.1~mΩ to 2.21~Ω)"),
        ("796 uH", "796~µH"),
        ("1.2 A2s at 25 degC", "1.2~A²s at 25~°C"),
        ("of 4 undecided verdicts", "of 4 undecided verdicts"),
        ("83 % of samples, 3 us, 120 uF, 5 uohm", "83~% of samples, 3~µs, 120~µF, 5~µΩ"),
    ],
)
def test_units_are_printed_as_people_write_them(plain: str, printed: str) -> None:
    assert texts.pretty(plain) == printed.replace("~", "\N{NO-BREAK SPACE}")


def test_margins_are_ranked_and_each_bar_is_as_long_as_its_margin(checked: Checked) -> None:
    found = views.margins(views.numbered(checked.json))
    ranked = [*found["first"], *found["rest"]]
    rows = sorted(row["margin"] for row in checked.json["metrics"] if row["margin"] is not None)
    assert len(ranked) == len(rows)
    for row, margin in zip(ranked, rows, strict=True):
        reach = max(-0.5, min(0.5, margin)) / 0.5 * 100
        assert row["bar"] == pytest.approx(max(abs(reach), 0.5))
        assert row["bar_from"] == pytest.approx(100 + min(reach, 0))
