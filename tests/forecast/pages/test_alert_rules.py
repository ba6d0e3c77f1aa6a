"""The page of one rule for all regions: stated, switched, refused; each region keeps its own."""

from __future__ import annotations

import pytest

from forecast.accounts.roles import Role
from forecast.records.alert_rules import rule_history, rules_in_force

HERE = "/alerts/rules"
FORM = {
    **{"how": "right", "right": "3", "shortest_lead": "5", "longest_lead": "28", "gap": "28"},
    **{"off_share": "0.75", "budget": "3", "without_skill": "hold", "kinds": "season near"},
}


@pytest.fixture
def administrator(browser, make_account, sit):
    return browser(sit(make_account("ida", Role.ADMINISTRATOR)))


def test_one_rule_is_stated_and_switched_for_all_regions(administrator, opened):
    """Off at first, with what it would have done; on in all by one button; off again."""
    regions = [one.id for one in opened.practice().settings.region]
    page = administrator.get(HERE).text
    assert f"None of {len(regions)} regions has an alert rule yet." in page
    assert "Switch all rules" not in page
    assert administrator.post(HERE, data=FORM).status_code == 303
    rules = rules_in_force(opened.records)
    assert {key: (one.on_odds, one.is_on) for key, one in rules.items()} == dict.fromkeys(
        regions, (0.3, False)
    )
    page = administrator.get(HERE).text
    assert f"None of {len(regions)} regions is watched: all have the same rule, switched" in page
    assert "Switch all rules on" in page
    assert administrator.post(f"{HERE}/switch", data={"on": "yes"}).status_code == 303
    page = administrator.get(HERE).text
    assert f"All {len(regions)} regions are watched by the same rule." in page
    assert "Switch all rules off" in page
    assert {len(rule_history(opened.records, one)) for one in regions} == {2}


def test_what_is_typed_wrong_is_refused_and_nothing_is_kept(administrator, opened):
    """The number stands in the form still."""
    refused = administrator.post(HERE, data=FORM | {"right": "12"})
    assert refused.status_code == 422
    assert "12 right alerts of ten were asked for" in refused.text
    assert 'name="right" inputmode="numeric" value="12"' in refused.text
    assert rules_in_force(opened.records) == {}
