"""What letters and calendars say beside `plain_words`, in English; each sentence is also its name.

The catalogues of `locales/` say them in other languages. A sentence is whole: none is put together
from parts, as no other language would part it there. `{dog}` is a name or NO_NAME, and `{what}` one
of `plain_words.CLASSES`: neither is ever inflected.
"""

from __future__ import annotations

from forecast.letters import plain_words
from forecast.wording import INVENTED

NO_NAME = "your dog"
NO_NAME_FIRST = "Your dog"  # where a line begins with it
GREETING = "Dear {owner},"
GREETING_NO_NAME = "Hello,"
CLOSING = "Thank you for looking after {dog} with us."
DRAFT = "Draft: no vet has signed this plan yet. It is not to be handed over."
VET = "Vet: {vet}"
FOR_THE_PRACTICE = "For the practice"
DATE = "Date"
TELEPHONE = "Telephone {phone}"
TELEPHONE_AT_NIGHT = "At night and on closed days {phone}"
TELEPHONE_OPEN = "Telephone"
TELEPHONE_AT_NIGHT_OPEN = "Telephone at night and on closed days"
DAY_AND_TIME = "{day}, {time}"
AT_A_DOSE = "visit, and the dose if the vet agrees on the day"

TITLE_DATES = "Dates for {dog} this season"
TITLE_CHANGED = "New dates for {dog} this season"
TITLE_FIRST_ITCH = "When {dog} starts to itch"
TITLE_EXAMINE = "Time to check the skin of {dog}"
TITLE_CANCELLED = "Dates for {dog} that no longer stand"

# Of one day ahead, and of several.
SAME_TIME = "In past years, {dog} has itched more at about the same time of year."
EARLY = "This year we want to be early."
PLANNED = {
    "one": "We plan to give {dog} {what}, on the day below.",
    "more": "We plan to give {dog} {what}, on the days below.",
}
CHANGED = {
    "one": (
        "The dates that we gave you for {dog} have changed. This is the new one. Please cross out "
        "the old ones."
    ),
    "more": (
        "The dates that we gave you for {dog} have changed. These are the new ones. Please cross "
        "out the old ones."
    ),
}
PLANNED_ANEW = {
    "one": "On this day we plan to give {dog} {what}.",
    "more": "On each of these days we plan to give {dog} {what}.",
}
ALL_BOOKED = {
    "one": "If the day does not suit you, please call us soon. We find another one.",
    "more": "If a day does not suit you, please call us soon. We find another one.",
}
BOOK = {
    "one": (
        "Please call us soon to book a time. If the day does not suit you, we find another one."
    ),
    "more": (
        "Please call us soon to book a time on each day. If a day does not suit you, we find "
        "another one."
    ),
}
BOOK_THE_REST = (
    "Please call us soon to book a time for each day that has none. If a day does not suit you, we "
    "find another one."
)
TOO_SOON = "Do not come sooner on your own: doses must not be too close to each other."
DATES_GONE = "The dates that we gave you for {dog} no longer stand. Please cross them out."

WAIT_AND_WATCH = (
    "The itch of {dog} may come back this season. For now, it is best to wait and watch."
)
CALL_ON_THE_FIRST_DAY = (
    "Please call us on the first day on which {dog} itches more than usual. Do not wait for it to "
    "get bad."
)
SEEN_SOON = "We then see {dog} soon. If the vet agrees, we start {what}."

EXAMINE = "Before the next itch season, we would like to see {dog} and check the skin."
WHAT_A_VET_LOOKS_FOR = (
    "Some things must be known before we can plan. A vet looks for fleas, mites and infection, and "
    "weighs {dog}."
)
CALL_TO_BOOK = "Please call us to book a time."
NO_NEED_TO_COME = (
    "You do not need to come on those days. Please call us if you would like to know more."
)

TO_BRING_HEADING = "What to bring"
TO_BRING = (
    "a list of all that {dog} is given: tablets, drops, shampoo, treats",
    "what {dog} had against fleas, and when",
    "the itch line, with your mark on it, if we gave you one",
)
WATCH_HEADING = "What to watch"
SPAN = "{first} to {last}"
LIKELIER = "At some times itch is likelier. Look most of all then: {spans}."
COMES_BACK = "Call us if the itch comes back. Do not wait for the next date."
NOTE_WEEKLY = "Once a week, look at {dog} and note:"
SIGNS = (
    "how much {dog} scratches, licks, rubs or bites",
    "red skin, sore paws, a red or smelly ear, or hair that falls out",
)
CALL_NOW_HEADING = "Call us at once if"
GOOD_TO_KNOW_HEADING = "Good to know"
UNTIL_THEN_HEADING = "Until then"
UNTIL_WE_WRITE_HEADING = "Until you hear from us"
FLEAS = "Keep up the flea control all year. Flea bites make every itch worse."
NO_STOPPING = "Do not start or stop any medicine without asking us."

# What an owner's calendar says.
VISIT = "{dog}: visit to the vet"
WATCH = "{dog}: itch is likelier now"
BOOK_IF_NONE = "Please call to book a time, if you have none yet."
LOOK_OFTEN = "Look at the skin and ears often, and call us at the first itch."
CALL_NOW_IF = "Call us at once if {signs}."
TELEPHONE_SENTENCE = "Telephone {phone}."
TELEPHONE_AT_NIGHT_SENTENCE = "At night and on closed days {phone}."


def all_messages() -> tuple[str, ...]:
    """Return every sentence that a catalogue must have to speak its language whole, once each."""
    of_class = [one for own in plain_words.OF_CLASS.values() for one in own.values()]
    told = (
        *(INVENTED, NO_NAME, NO_NAME_FIRST, GREETING, GREETING_NO_NAME, CLOSING, DRAFT, VET),
        *(FOR_THE_PRACTICE, DATE, TELEPHONE, TELEPHONE_AT_NIGHT, TELEPHONE_OPEN),
        *(TELEPHONE_AT_NIGHT_OPEN, DAY_AND_TIME, AT_A_DOSE, TITLE_DATES, TITLE_CHANGED),
        *(TITLE_FIRST_ITCH, TITLE_EXAMINE, TITLE_CANCELLED, SAME_TIME, EARLY),
        *(
            sentence
            for group in (PLANNED, CHANGED, PLANNED_ANEW, ALL_BOOKED, BOOK)
            for sentence in group.values()
        ),
        *(BOOK_THE_REST, TOO_SOON, DATES_GONE, WAIT_AND_WATCH, CALL_ON_THE_FIRST_DAY, SEEN_SOON),
        *(EXAMINE, WHAT_A_VET_LOOKS_FOR, CALL_TO_BOOK, NO_NEED_TO_COME, TO_BRING_HEADING),
        *(*TO_BRING, WATCH_HEADING, SPAN, LIKELIER, COMES_BACK, NOTE_WEEKLY, *SIGNS),
        *(CALL_NOW_HEADING, GOOD_TO_KNOW_HEADING, UNTIL_THEN_HEADING, UNTIL_WE_WRITE_HEADING),
        *(FLEAS, NO_STOPPING, VISIT, WATCH, BOOK_IF_NONE, LOOK_OFTEN, CALL_NOW_IF),
        *(TELEPHONE_SENTENCE, TELEPHONE_AT_NIGHT_SENTENCE),
        *plain_words.ALWAYS.values(),
        *(plain_words.FROM_THE_PAST, plain_words.FROM_THE_VET),
        *plain_words.CARE_NOW.values(),
        *plain_words.CLASSES.values(),
        *of_class,
    )
    return tuple(dict.fromkeys(told))
