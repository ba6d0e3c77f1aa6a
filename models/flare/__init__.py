"""Flare visits per region and week: members, their blend, and what drives them.

One member a file. Every member gives *draws*: whole futures of all regions and weeks at once, so
that a total over branches, a run of high weeks or the end of a season can be read off them.

========================== =====================================================================
module                     what it holds
========================== =====================================================================
``drivers``                weekly weather and exposure as anomalies from the region's own normal
``negative_binomial_fit``  penalised negative-binomial regression
``season_regression``      the regression member: region, season, trend, weather, exposure, shocks
``shocks``                 weekly shocks shared by all regions: estimate, filter, simulate
``climatology``            the same weeks of all past years, and last season alone
``cover``                  dogs under cover: from visits to pressure and back
``attribution``            what the visits tell of humidity and of exposure
``forecaster``             members fitted and drawn together
``blend``                  members into one forecast that keeps the weather of each draw together
========================== =====================================================================
"""
