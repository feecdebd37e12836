"""Cautions, each to stand before what it warns of; local codes and licensed practice come first."""

LOCAL_RULES = "Local codes and licensed practice come first; this record decides nothing about safety."
NO_STOP = "no stop sign in the shape; structure, damp, bond, services and old coatings were not examined"

HACKING = (
    "Before hacking off: find and isolate hidden services (cables, pipes); have them traced by a competent person.",
    "Cutting masonry makes silica dust: work wet, extract at the tool, wear a fitted mask and eye protection.",
    "Old coatings, plasters and boards may hold asbestos or lead: have a sample tested before disturbing them.",
    "Stop at moving cracks, loose masonry, or anything that may carry load near an opening: ask a structural engineer.",
    LOCAL_RULES,
)
THICK = "Build-up over 25 mm: get the designer's word on weight, support and mesh before it goes on."
STRUCTURE = (
    "A bulge, a lean or a moving crack is for a structural engineer: do not hack, load or cover the wall until one has "
    "looked at it."
)
LASER = "Class 2 laser: never look into the beam or point it at eyes, and keep it off mirrors and glass."
LASER_WORK = (
    LASER,
    "Set the laser up where its beam does not come out at anybody's eye level, on a stable stand on firm ground.",
    "Read high places from a stable platform, never from a ladder with a screen or a phone in hand: come down first.",
    LOCAL_RULES,
)
HEIGHT = "Work at height from a proper platform, not from a ladder or a stacked hop-up; keep openings guarded."
WET_CEMENT = "Wet cement and lime burn skin and eyes: wear gloves and eye protection, rinse at once with clean water."
OLD_PLASTER_STAYS = (
    "Old plaster that stays carries the new: its bond, soundness, damp and coatings were not examined; sound it all "
    "over and test the coatings first."
)
OLD_PLASTER_OFF = (
    "Before old plaster comes off: test it for asbestos and lead, trace services, and keep the dust down; what is "
    "behind it was not measured."
)
