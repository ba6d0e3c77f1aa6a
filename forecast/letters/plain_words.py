"""Every caution and class of therapy in words that an owner reads once and understands.

The keys are the codes of `forecast.dosing.plan.CAUTIONS` and of `therapies.toml`; a test holds that
none is missing, and that each letter reads at the seventh grade or below. Class names alone: no
brand, no maker, no amount of a drug. `{dog}` stands for the dog's name. Each sentence is also its
own name in the catalogues of `locales/`, which say it in other languages.
"""

from __future__ import annotations

# What every letter says, by the caution it stands for. Signs that need care now are a list.
ALWAYS = {
    "not_a_prescription": "This is a plan. It is not a prescription.",
    "vet_decides": "Before each dose, a vet looks at {dog}, checks the weight and then decides.",
    "label_first": "The leaflet of the medicine and the rules of your country come first.",
    "no_trial": "No study that we know of has tested a dose ahead of the season.",
}
# Where the dates come from: the arithmetic of a plan signed as it was proposed, or a vet's choice.
FROM_THE_PAST = (
    "Our dates come from the past flares of {dog}, and from how long a dose was seen to work."
)
FROM_THE_VET = "A vet chose the dates for {dog}."
CARE_NOW = {
    "swelling of the face": "the face swells up",
    "trouble breathing": "breathing is hard or noisy",
    "collapse": "{dog} falls down and does not get up",
    "raw or bleeding skin": "the skin is raw or bleeds",
    "a painful or swollen ear": "an ear is sore or swollen",
    "fever": "{dog} has a fever",
    "not eating": "{dog} does not eat",
    "itch that keeps the dog from sleeping": "{dog} itches so much that sleep is not possible",
}

# What a class is called to an owner.
CLASSES = {
    "anti_il31_antibody": "an injection against itch that works for some weeks",
    "daily_jak_inhibitor": "a daily tablet against itch",
    "ciclosporin": "a daily capsule that calms the skin's defence",
    "glucocorticoid_short_course": "a short course of cortisone",
    "topical_glucocorticoid_proactive": "cortisone on the skin on set days",
    "allergen_immunotherapy": "a course that gets the body used to what it is allergic to",
    "topical_care": "washing and care of the skin",
}

# What an owner is told of a class: by the code of each caution, and of each thing to be watched.
# Numbers stay in the tables: they are the vet's to explain.
OF_CLASS = {
    "anti_il31_antibody": {
        "second_dose": (
            "If the first dose does little, a second one a month later may do more. If that does "
            "not help, we look for another way."
        ),
        "infection": (
            "Watch for spots, scabs or a bad smell of the skin, most of all in the first weeks. "
            "They can mean an infection."
        ),
        "adverse": "A few dogs feel unwell after a dose. Tell us if {dog} does.",
        "after_jak_failure": "Tell us if a daily tablet did not help {dog} in the past.",
        "monitoring score": (
            "Score the itch four weeks after the first dose, and again before each next one."
        ),
    },
    "daily_jak_inhibitor": {
        "skin": "Look at the skin each week, and feel for lumps. Show us what is new.",
        "twice_daily": "Give the tablet just as often as the vet says.",
        "monitoring blood": "We test blood and urine before long use, and again later.",
        "monitoring skin_and_lumps": "We look at the skin and feel for lumps at each visit.",
    },
    "ciclosporin": {
        "stop_rule": "If it does not help after two months, it is stopped.",
        "gut": "Many dogs have a soft stool or are sick at first. Tell us if it goes on.",
        "taper": "If it helps, it is given less and less often. The vet says when.",
        "monitoring score": "Score the itch after four weeks, and again after eight.",
        "monitoring gut_and_weight": "We ask about the stool and weigh {dog} at each visit.",
    },
    "glucocorticoid_short_course": {
        "taper": "It is given for as few days as will do. Do not stop it without asking us.",
        "monitoring thirst": "Tell us if {dog} drinks, eats or passes water more than before.",
    },
    "topical_glucocorticoid_proactive": {
        "thin_skin": "The skin may grow thin where it is put on. Tell us if it does.",
        "monitoring sites": "We look at these places at each visit.",
    },
    "allergen_immunotherapy": {
        "slow": "It takes three months to a year to work. Until then, other care holds the itch.",
        "adverse": "A few dogs feel unwell after a dose. Tell us if {dog} does.",
        "monitoring judged": "After a year we look together at how much it has helped.",
    },
    "topical_care": {
        "mild": "Use only mild care while the skin is sore.",
        "monitoring skin": "We look at the skin at each visit.",
    },
}
