from __future__ import annotations

from typer.testing import CliRunner

from forecast.practice import create_practice, template
from jobs.cli import app


def test_a_new_practice_learns_what_is_likely_before_any_weather(tmp_path):
    """Without weather the command prints the proposal by place and says why it gives no dates."""
    folder = tmp_path / "practice"
    create_practice(folder, template().replace('"ragweed"]', '"ragweed", "olive"]'))
    result = CliRunner().invoke(app, ["allergens", "--practice", str(folder)])
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert "Seoul: 37.57 N, 126.97 E, climate not known" in said
    assert "Listed, but unlikely here: olive, grows in the Mediterranean" in said
    assert "Likely here, but not listed: alder, hazel, ash" in said
    assert "May be listed, but never proposed, as no pollen or spores: house_dust_mites" in said
    assert 'allergens = ["alder", "hazel", "birch"' in said
    assert "Season dates are not known: the climate store holds no weather yet" in said
    assert "Olive pollen: Base and season length are published for Europe" in said
