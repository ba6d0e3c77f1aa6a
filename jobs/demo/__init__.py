"""The invented practice: made-up dogs, owners and visits on real weather and flowering dates.

Nothing in this room comes from the forecasting models, so that a forecast of the invented visits
is a test of the models and not a mirror of them. Start at `jobs.demo.invention`.
"""
