"""What alerts say, in English; each sentence is also its own name in the catalogues of `locales/`.

Places in braces are filled by `forecast.alerts.drafting`. No diagnosis, no brand, no dose; odds,
never counts; and of no dog is it said that it is well, or will be. The blocks are the same in every
alert, and a vet of the practice approves them before anything goes out.
"""

from __future__ import annotations

SUBJECTS = {
    "season near": "Itchy dogs in {region}: weeks with more flares may be near ({span})",
    "peak near": "Itchy dogs in {region}: the peak of this season is near ({span})",
    "season over": "Itchy dogs in {region}: the weeks with most flares seem to be over",
    "sudden high week": "Itchy dogs in {region}: more flares than usual may come ({span})",
}
GREETING = "Dear dog owner,"
INVENTED = "(This practice is invented: the forecast is a trial, and no dog of yours is meant.)"
LEADS = {
    "season near": (
        "In {region} weeks may be near in which more allergic dogs than usual have a flare of "
        "itch: {span}."
    ),
    "peak near": (
        "In {region} the season of itch is on. Our forecast puts its peak around {span}."
    ),
    "season over": (
        "In {region} our forecast shows few weeks ahead in which more allergic dogs than usual "
        "have a flare of itch: {span} look quieter."
    ),
    "sudden high week": (
        "In {region} weeks may come in which more allergic dogs have a flare of itch than is "
        "usual at this time of the year: {span}."
    ),
}
ODDS = (
    "The odds that the week of {best} brings many flares are {odds}; in past years they were "
    "{usual} for the same weeks."
)
ODDS_ALONE = "The odds that the week of {best} brings many flares are {odds}."
ODDS_OVER = "For each of these weeks the odds of many flares are {odds} or less; they are not zero."
WITHOUT_SKILL = {
    "not known": (
        "How well such forecasts do here is not known yet, so we give no odds: take the dates as a "
        "reminder."
    ),
    "not shown": (
        "So far such forecasts did no better here than past years alone, so we give no odds: take "
        "the dates as a reminder."
    ),
}
POPULATION = (
    "This is a forecast for all dogs of the region. It cannot tell whether your dog will itch."
)
STILL_ITCHING = (
    "It says nothing about any one dog: many allergic dogs itch outside these weeks too. If yours "
    "does, please call us."
)
DO_HEADING = "What you can do yourself, without a prescription:"
DO = (
    "Bathe your dog with a mild shampoo made for dogs, if its skin bears it well.",
    "Wipe paws, belly and face with a damp cloth after walks.",
    "Keep flea control up to date for every animal in the household, each with a product made for "
    "its own kind.",
)
_SOON = "Call us soon if your dog itches more than usual, chews its paws or shakes its head."
CALL = {
    "season near": (
        "Call us now, before the season, if your dog itched in past years: then there is time to "
        "see it and to plan."
    ),
    "peak near": _SOON,
    "season over": "Call us if your dog still itches, or when it is time for its next check.",
    "sudden high week": _SOON,
}
SIGNED = "{practice}"

BLOCKS_HEADING = "Please note:"
BLOCKS = (
    "A swollen face or trouble breathing is an emergency: call a vet at once, at night too.",
    "Never use a flea product made for dogs on a cat or near one: some of them kill cats.",
    "Give your dog no medicines made for people.",
    "Do not start, stop, skip or delay any treatment because of this message: a vet who has "
    "examined your dog decides.",
)

# What tells that an alert is withdrawn, and what stands below every mail.
WITHDRAWN_SUBJECT = "Withdrawn: {subject}"
WITHDRAWN = (
    "On {day} we wrote to you: \u201c{subject}\u201d. Please disregard that message; it is "
    "withdrawn."
)
WITHDRAWN_STILL = (
    "What a vet who has examined your dog told you holds as before. If your dog itches or you are "
    "not sure, please call us."
)
EVENT = "Weeks with many itching dogs"
# for whoever runs a machine that reads it, so in English alone
WITHDRAWN_NOTE = "The message that this one refers to is withdrawn; please disregard it."
FOOT_WHY = (
    "You get this from {practice} because you said that we may write to you, and because of a dog "
    "in {region}."
)
FOOT_STOP = "I want no more of these messages"
FOOT_BY_WORD = "If you want no more of these messages, tell us, or answer this one."

# The page that a link to unsubscribe leads to.
STOP_ASKED = "Do you want no more of these messages from {practice}?"
STOP_EXPLAINED = (
    "This is about messages on weeks with many itching dogs alone. What the practice writes to you "
    "about your own animals goes on."
)
STOP_BUTTON = "Send me no more of these messages"
STOPPED = "You will get no more of these messages from {practice}."
STOPPED_EXPLAINED = "If you change your mind, tell the practice."

# Odds said as a fraction.
IN = "{n} in {of}"
SELDOM = "under 1 in 30"
NEARLY_ALWAYS = "over 29 in 30"
TO = "{first} to {last}"


def all_messages() -> tuple[str, ...]:
    """Return every sentence a catalogue must have to speak its language whole."""
    groups = (SUBJECTS, LEADS, WITHOUT_SKILL, CALL)
    return (
        *(sentence for group in groups for sentence in dict.fromkeys(group.values())),
        *(GREETING, INVENTED, ODDS, ODDS_ALONE, ODDS_OVER, POPULATION, STILL_ITCHING),
        *(DO_HEADING, *DO, SIGNED, BLOCKS_HEADING, *BLOCKS, IN, SELDOM, NEARLY_ALWAYS, TO),
        *(WITHDRAWN_SUBJECT, WITHDRAWN, WITHDRAWN_STILL, EVENT),
        *(FOOT_WHY, FOOT_STOP, FOOT_BY_WORD),
        *(STOP_ASKED, STOP_EXPLAINED, STOP_BUTTON, STOPPED, STOPPED_EXPLAINED),
    )
