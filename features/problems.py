"""What can be wrong with a scale or a measurement, and what to do about it; of photos see `photo_problems.py`."""

from features import photo_problems  # puts its own kinds on the list
from features.problem_registry import Problem, ProblemKind, Severity, all_problem_kinds, register

__all__ = ["Problem", "ProblemKind", "Severity", "all_problem_kinds", "photo_problems"]

# --- the scale ------------------------------------------------------------------------------------
NO_SCALE = register(
    "no_scale",
    "No scale reference was found, so only ratios can be measured.",
    "Lay the printed scale card, a bank card or a coin on the part and shoot again, or give two points and a length: "
    "the flats of a bolt head will do, whose thread size is known.",
    "caution",
)
REFERENCE_UNREAD = register(
    "reference_unread",
    "Something that looks like a scale reference is seen, but it could not be read.",
    "Go closer, so that it is a tenth of the picture wide, keep its edges and corners free, and name a coin.",
    "caution",
)
SCALE_FITS_NO_PLANE = register(
    "scale_fits_no_plane",
    "A scale reference was seen, but its edge fits no flat thing before the camera, so it was not used.",
    "Lay it flat and in full view, and shoot again without a shadow along its edge.",
    "caution",
)
CARD_MIRRORED = register(
    "card_mirrored",
    "A scale card is seen mirrored.",
    "Switch the camera's mirror or selfie mode off, or do not shoot through a mirror, and shoot again.",
    "refused",
)
CARD_TOO_SMALL = register(
    "card_too_small",
    "A scale card is too small in the photo.",
    "Go closer, or use the large card.",
    "refused",
)
CARD_TOO_OBLIQUE = register(
    "card_too_oblique",
    "A scale card is seen too much from the side.",
    "Shoot again with the camera facing the card.",
    "refused",
)
CARD_OBLIQUE = register(
    "card_oblique",
    "A scale card is seen strongly from the side, which costs accuracy.",
    "Better to face the card when you shoot.",
    "caution",
)
CARD_TOO_LITTLE_SEEN = register(
    "card_too_little_seen",
    "Too little of a scale card is seen.",
    "Uncover the card, keep it inside the picture and out of glare, and shoot again.",
    "refused",
)
CARD_PARTLY_COVERED = register(
    "card_partly_covered",
    "A scale card is partly covered or outside the picture.",
    "It was used; a card in full view measures better.",
    "note",
)
CARD_BLURRED = register(
    "card_blurred",
    "A scale card is blurred.",
    "Tap on the card to focus, hold still, and shoot again if you can.",
    "caution",
)
CARD_BENT = register(
    "card_bent",
    "A scale card is bent.",
    "Glue the card on something stiff and flat.",
    "caution",
)
MARKERS_NOT_OURS = register(
    "markers_not_ours",
    "Square markers are seen, but they are not those of our scale cards.",
    "Use a card printed by `untagged card`; other markers carry no size that is known here.",
    "caution",
)
POINTS_UNUSABLE = register(
    "points_unusable",
    "The two points and their length cannot be used as a scale.",
    "Give two different points inside the photo, far apart, and a length above zero.",
    "refused",
)
BANK_CARD_UNSURE = register(
    "bank_card_unsure",
    "Something like a bank card is seen, but other sizes fit it too, so it was not used.",
    "Face the card more squarely or go closer, or use a scale card.",
    "note",
)
SHEET_NOT_FOUND = register(
    "sheet_not_found",
    "The named sheet of paper was not found.",
    "Lay it flat, all four corners and sides in view, on something of another color.",
    "refused",
)
REFERENCES_DISAGREE = register(
    "references_disagree",
    "Two scale references in this photo disagree by more than their uncertainty.",
    "Check the print of the scale card with its 50 mm bar, and that both lie in the same plane; the first is used.",
    "caution",
)
COIN_NOT_FOUND = register(
    "coin_not_found",
    "The named coin was not found.",
    "Lay the coin flat and in full view on another color, or say where it is with `--look-at coin=X,Y,R`.",
    "refused",
)
COIN_AMBIGUOUS = register(
    "coin_ambiguous",
    "Several round things could be the named coin.",
    "Say which one is the coin with `--look-at coin=X,Y,R` (pixels of the upright photo).",
    "refused",
)
COIN_OBLIQUE = register(
    "coin_oblique",
    "The coin is seen strongly from the side, where its edge is mistaken for its rim.",
    "Better to face the coin when you shoot.",
    "caution",
)
COIN_SMALL = register(
    "coin_small",
    "The coin is small in the photo, which costs accuracy.",
    "Go closer, or use a scale card.",
    "caution",
)
COIN_TOO_SMALL = register(
    "coin_too_small",
    "The coin is too small in the photo to tell its size.",
    "Go closer, or use a scale card.",
    "refused",
)
COIN_TELLS_NO_FLOOR = register(
    "coin_tells_no_floor",
    "The coin on the floor is too small in the photo to measure the pump by.",
    "Tape the coin onto the pump's rim or flange, or lay a scale card on the floor.",
    "caution",
)

# --- parts and measurements -----------------------------------------------------------------------
NO_PART_MODEL = register(
    "no_part_model",
    "The part model cannot be used, so parts are found by their circles alone, less surely.",
    "Reinstall the program; until then point at the parts with --look-at.",
    "note",
)
NO_PUMP_SEEN = register(
    "no_pump_seen",
    "This does not look like a diaphragm pump.",
    "Send a photo of the pump's chamber or port; if it is one, point at the part with --look-at.",
    "caution",
)
NOTHING_FOUND = register(
    "nothing_found",
    "No round part of a pump was made out in this photo.",
    "Shoot square on at a chamber cover or at the port, filling the picture, or point at the part with --look-at.",
    "caution",
)
POSE_AMBIGUOUS = register(
    "pose_ambiguous",
    "The slant of the reference can be read in two ways; the interval covers both.",
    "Shoot a little more from the side, 10 to 20 degrees, so that the slant shows.",
    "note",
)
PLANES_DISAGREE = register(
    "planes_disagree",
    "The reference does not lie parallel to the part it should lie on.",
    "Lay the reference flat on the part, or say with --card-at where it lies.",
    "caution",
)
REFERENCE_ON_FLOOR = register(
    "reference_on_floor",
    "The reference seems to lie on the floor, so sizes hang on how high parts of the pump stand above it.",
    "Lay the reference flat on the flange or on the chamber's rim, or say with --card-at where it lies.",
    "caution",
)
PUMP_CUT_OFF = register(
    "pump_cut_off",
    "The picture cuts the pump off, so lengths to that side cannot be measured.",
    "Step back until the whole pump with its feet is in the picture, and shoot again.",
    "note",
)
FRONT_UNSURE = register(
    "front_unsure",
    "The photo shows a pump's front, but not plainly enough to measure port spacing, height and width.",
    "Stand square on to the front, the whole pump with its feet in the picture, nothing before it, and shoot again.",
    "note",
)
PHOTOS_DISAGREE = register(
    "photos_disagree",
    "Photos of this pump give different sizes for the same part.",
    "Check that all photos show one pump and that --card-at is true for all of them.",
    "caution",
)
