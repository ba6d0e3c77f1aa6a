"""Flare visits per region and week: members, their blend, and what drives them.

One member a file. Every member gives *draws*: whole futures of all regions and weeks at once, so
that a total over branches, a run of high weeks or the end of a season can be read off them.

========================== =====================================================================
module                     what it holds
========================== =====================================================================
``drivers``                weekly weather and exposure as anomalies from the region's own normal
``negative_binomial_fit``  penalised negative-binomial regression, full weeks right-censored
``prior_pooling``          prior spreads learnt over groups of like terms
``season_terms``           columns for season, turn of the year and slow level
``season_regression``      the regression member: region, season, level, weather, exposure, shocks
``shocks``                 weekly shocks shared by all regions: estimate, filter, simulate
``state_space``            the member whose level, slope and season move on from week to week
``state_space_kernels``    its hot loops, compiled
``parameter_sets``         sets of its parameters that the counts leave likely
``direct_lag``             the member that goes from recent weeks straight to each lead
``known_counts``           counts and what they are counted against, as these two read them
``climatology``            references: past weeks, last season, last value; trend-climatology
``cover``                  dogs under cover: from visits to pressure and back
``cover_sensitivity``      pressure and visits at a low and a high efficacy of cover
``attribution``            what the visits tell of humidity and of exposure
``count_forecaster``       the counting engine: four members of any weekly count, blended
``exposure_decision``      exposure kept or left out, by what it saves in past seasons
``recalibration``          draws spread about their median, by what earlier seasons showed
``yearly_review``          both of these and the parameter sets, once a year, on weeks before it
``nowcast``                what a week still coming in will have been
``forecaster``             pressure, visits and consultations, each from the counting engine
``blend``                  members into one forecast that keeps the weather of each draw together
``explanation``            what moved a week's forecast away from what is usual for it
========================== =====================================================================
"""
