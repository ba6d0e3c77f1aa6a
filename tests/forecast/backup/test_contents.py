"""What goes into a back-up: what people made, not what is drawn again when it is asked for."""

from __future__ import annotations

from forecast.backup.contents import written_by_hand
from forecast.practice import create_practice


def test_figures_of_pages_are_left_out_and_what_lies_beside_them_is_not(tmp_path, small_settings):
    """An issue's own files go along, and a folder of that name elsewhere."""
    practice = create_practice(tmp_path / "practice", small_settings)
    kept = ["outbox/abc/forecast.txt", "outbox/pages/sheet.csv", "archive/x/pages/raw.csv"]
    for name in (*kept, "outbox/abc/pages/visits-north.wide.svg"):
        path = practice.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    found = [
        str(p.relative_to(practice.folder)) for p in written_by_hand(practice, with_secrets=False)
    ]
    assert sorted(found) == sorted(kept)
