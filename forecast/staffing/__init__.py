"""The practice manager's desk: load in minutes, odds of overflow, roster, stock, money, what-if.

============= ====================================================================================
inputs        what the desk says: staff, hours, stock, and desk_numbers: minutes, prices; frozen
patterns      what past visits tell: who is seen where and when, which rechecks follow
visit_lengths minutes that the lengths of past visits tell
workload      from an issue's draws to visits and minutes by role, branch and week
overflow      the load against a capacity, week by week on the same draws; what to hold open
slots         same-day slots to keep free; people at the telephone
roster        whole shifts over branches, by mixed-integer programme over scenarios
standing      what the newest forecast makes of an agreed roster
last_year     last year's roster as it was worked, or as its visits would have asked
stock         what to order by which date
money         what a roster costs beside others, on the same draws
what_if       other hours, one more person, a branch closed, visits moved forward
planning      all of it in one call
burdens       how a roster's load lies on its people
worked        which shifts people work by: agreed rosters before the newest plan's
told_before   shifts that calendars were told and must be told as cancelled
============= ====================================================================================

Draw i is the same future in every branch and every number here, so totals over branches, backlogs
and differences between rosters are those of whole futures. Nothing here knows anybody's name: a
person is a random id.
"""
