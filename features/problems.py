"""The one registry of what can be wrong with a photo, a scale or a measurement, and what to do about it.

Command line, web app and report all speak from here, so a problem is worded once.
"""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["refused", "caution", "note"]


@dataclass(frozen=True)
class ProblemKind:
    """One kind of problem.

    Attributes:
        code: stable short name, snake_case.
        meaning: what is wrong, one sentence.
        advice: what the user should do, one sentence.
        severity: `refused` (cannot be used), `caution` (used, trust less), `note`.
    """

    code: str
    meaning: str
    advice: str
    severity: Severity


@dataclass(frozen=True)
class Problem:
    """A problem that occurred: its kind and the particulars of this case (numbers with units)."""

    kind: ProblemKind
    detail: str = ""

    def __str__(self) -> str:
        particulars = f" ({self.detail})" if self.detail else ""
        return f"{self.kind.code}: {self.kind.meaning}{particulars} {self.kind.advice}"


_REGISTRY: dict[str, ProblemKind] = {}


def _register(code: str, meaning: str, advice: str, severity: Severity) -> ProblemKind:
    if code in _REGISTRY:
        raise ValueError(f"problem code {code!r} registered twice")
    kind = ProblemKind(code, meaning, advice, severity)
    _REGISTRY[code] = kind
    return kind


def all_problem_kinds() -> tuple[ProblemKind, ...]:
    """Every registered kind, in order of registration."""
    return tuple(_REGISTRY.values())


# --- the photo file -------------------------------------------------------------------------------
FILE_MISSING = _register("file_missing", "There is no such file.", "Check the path.", "refused")
FILE_NOT_A_FILE = _register(
    "file_not_a_file", "This is not an ordinary file.", "Give the photo files themselves.", "refused"
)
FILE_UNREADABLE = _register(
    "file_unreadable",
    "The file cannot be read.",
    "Check its permissions and whether its disk is well, or copy it elsewhere.",
    "refused",
)
FILE_EMPTY = _register("file_empty", "The file is empty.", "Copy or send the photo again.", "refused")
FILE_TOO_LARGE = _register(
    "file_too_large",
    "The file is larger than a photo should be (64 MB).",
    "Give the phone's own JPEG or HEIC file.",
    "refused",
)
FORMAT_UNSUPPORTED = _register(
    "format_unsupported",
    "Only JPEG, PNG, WebP and HEIC photos can be read.",
    "Save or export the photo as JPEG; the name's ending alone changes nothing.",
    "refused",
)
NOT_A_PHOTO = _register("not_a_photo", "The file is not a photo.", "Give a JPEG, PNG, WebP or HEIC file.", "refused")
PHOTO_DAMAGED = _register(
    "photo_damaged",
    "The photo is damaged and cannot be decoded.",
    "Copy or send the original file again.",
    "refused",
)
PHOTO_TOO_MANY_PIXELS = _register(
    "photo_too_many_pixels",
    "The picture claims more than 60 megapixels.",
    "Take the photo at the phone's usual resolution (12 megapixels is plenty).",
    "refused",
)
PHOTO_TOO_SMALL = _register(
    "photo_too_small",
    "The picture is less than 200 pixels high or wide, too small to measure.",
    "Send the original photo, not its preview.",
    "refused",
)
HEIC_UNAVAILABLE = _register(
    "heic_unavailable",
    "HEIC photos cannot be read on this installation.",
    "Run `pip install pillow-heif`, or send the photo as JPEG.",
    "refused",
)
DECODER_CRASHED = _register(
    "decoder_crashed",
    "The file brought the picture decoder down; nothing else was harmed.",
    "Do not trust this file; take or send the photo again.",
    "refused",
)
DECODER_TIMED_OUT = _register(
    "decoder_timed_out",
    "Decoding took too long and was stopped.",
    "Try again when the computer is less busy, or send the photo as an ordinary JPEG.",
    "refused",
)
DECODER_OUT_OF_MEMORY = _register(
    "decoder_out_of_memory",
    "Decoding needs more memory than a photo may use.",
    "Send the photo at the phone's usual resolution.",
    "refused",
)
DECODER_UNAVAILABLE = _register(
    "decoder_unavailable",
    "The process that decodes photos could not be started.",
    "Check this installation (Pillow must be there) and that programs may be started.",
    "refused",
)
EXIF_DAMAGED = _register(
    "exif_damaged",
    "The camera's notes in the file are damaged and were only partly read.",
    "Nothing need be done if the picture is upright; the original file may know the focal length.",
    "note",
)
ORIENTATION_IGNORED = _register(
    "orientation_ignored",
    "The file's orientation mark makes no sense and was ignored.",
    "If the picture lies on its side, turn it and save it again.",
    "note",
)
FIRST_FRAME_ONLY = _register(
    "first_frame_only", "The file holds several pictures; the first was used.", "Send single photos.", "note"
)
COLOR_PROFILE_IGNORED = _register(
    "color_profile_ignored",
    "The color profile is damaged and was ignored, so colors may be off.",
    "Nothing need be done: sizes do not depend on it.",
    "note",
)
TRANSPARENCY_FLATTENED = _register(
    "transparency_flattened",
    "Transparent parts were laid over white.",
    "Send the photo as the camera took it rather than a cut-out.",
    "note",
)
COLORS_APPROXIMATE = _register(
    "colors_approximate",
    "The picture is stored in printing colors without a profile, so colors are approximate.",
    "Nothing need be done: sizes do not depend on it.",
    "note",
)
FOCAL_UNKNOWN = _register(
    "focal_unknown",
    "The file says no focal length, so a usual phone camera is assumed.",
    "Send the original file: messaging apps strip the camera's notes.",
    "note",
)
FOCAL_DOUBTFUL = _register(
    "focal_doubtful",
    "The focal length in the file can be read in more than one way, so it is trusted less.",
    "Shoot with the phone's main camera, without zoom, and send the original file.",
    "note",
)
PHOTO_CROPPED = _register(
    "photo_cropped",
    "The photo has been cropped, so the camera's center is not known.",
    "Send the uncropped original: a crop off the middle bends every off-plane correction.",
    "caution",
)
PHOTO_ZOOMED = _register(
    "photo_zoomed",
    "Digital zoom was used, which adds pixels but no detail.",
    "Step closer instead of zooming.",
    "note",
)
PHOTO_LOW_RESOLUTION = _register(
    "photo_low_resolution",
    "The photo has few pixels, so edges are found less exactly.",
    "Send the original file rather than a preview or a screenshot.",
    "caution",
)
PHOTO_BLURRED = _register(
    "photo_blurred",
    "The photo is blurred.",
    "Wipe the lens, switch on a light, tap on the pump to focus, hold still, and shoot again.",
    "caution",
)

# --- the scale ------------------------------------------------------------------------------------
NO_SCALE = _register(
    "no_scale",
    "No scale reference was found, so only ratios can be measured.",
    "Lay the printed scale card, a bank card or a coin on the part and shoot again, or give two points and a length.",
    "caution",
)
SCALE_FITS_NO_PLANE = _register(
    "scale_fits_no_plane",
    "A scale reference was seen, but its edge fits no flat thing before the camera, so it was not used.",
    "Lay it flat and in full view, and shoot again without a shadow along its edge.",
    "caution",
)
CARD_MIRRORED = _register(
    "card_mirrored",
    "A scale card is seen mirrored.",
    "Switch the camera's mirror or selfie mode off, or do not shoot through a mirror, and shoot again.",
    "refused",
)
CARD_TOO_SMALL = _register(
    "card_too_small",
    "A scale card is too small in the photo.",
    "Go closer, or use the large card.",
    "refused",
)
CARD_TOO_OBLIQUE = _register(
    "card_too_oblique",
    "A scale card is seen too much from the side.",
    "Shoot again with the camera facing the card.",
    "refused",
)
CARD_OBLIQUE = _register(
    "card_oblique",
    "A scale card is seen strongly from the side, which costs accuracy.",
    "Better to face the card when you shoot.",
    "caution",
)
CARD_TOO_LITTLE_SEEN = _register(
    "card_too_little_seen",
    "Too little of a scale card is seen.",
    "Uncover the card, keep it inside the picture and out of glare, and shoot again.",
    "refused",
)
CARD_PARTLY_COVERED = _register(
    "card_partly_covered",
    "A scale card is partly covered or outside the picture.",
    "It was used; a card in full view measures better.",
    "note",
)
CARD_BLURRED = _register(
    "card_blurred",
    "A scale card is blurred.",
    "Tap on the card to focus, hold still, and shoot again if you can.",
    "caution",
)
CARD_BENT = _register(
    "card_bent",
    "A scale card is bent.",
    "Glue the card on something stiff and flat.",
    "caution",
)
MARKERS_NOT_OURS = _register(
    "markers_not_ours",
    "Square markers are seen, but they are not those of our scale cards.",
    "Use a card printed by `untagged card`; other markers carry no size that is known here.",
    "caution",
)
POINTS_UNUSABLE = _register(
    "points_unusable",
    "The two points and their length cannot be used as a scale.",
    "Give two different points inside the photo, far apart, and a length above zero.",
    "refused",
)
BANK_CARD_UNSURE = _register(
    "bank_card_unsure",
    "Something like a bank card is seen, but other sizes fit it too, so it was not used.",
    "Face the card more squarely or go closer, or use a scale card.",
    "note",
)
SHEET_NOT_FOUND = _register(
    "sheet_not_found",
    "The named sheet of paper was not found.",
    "Lay it flat, all four corners and sides in view, on something of another color.",
    "refused",
)
REFERENCES_DISAGREE = _register(
    "references_disagree",
    "Two scale references in this photo disagree by more than their uncertainty.",
    "Check the print of the scale card with its 50 mm bar, and that both lie in the same plane; the first is used.",
    "caution",
)
COIN_NOT_FOUND = _register(
    "coin_not_found",
    "The named coin was not found.",
    "Lay the coin flat and in full view on another color, or say where it is with `--look-at coin=X,Y,R`.",
    "refused",
)
COIN_AMBIGUOUS = _register(
    "coin_ambiguous",
    "Several round things could be the named coin.",
    "Say which one is the coin with `--look-at coin=X,Y,R` (pixels of the upright photo).",
    "refused",
)
COIN_OBLIQUE = _register(
    "coin_oblique",
    "The coin is seen strongly from the side, where its edge is mistaken for its rim.",
    "Better to face the coin when you shoot.",
    "caution",
)
COIN_SMALL = _register(
    "coin_small",
    "The coin is small in the photo, which costs accuracy.",
    "Go closer, or use a scale card.",
    "caution",
)

# --- parts and measurements -----------------------------------------------------------------------
NO_PART_MODEL = _register(
    "no_part_model",
    "The part model cannot be used, so parts are found by their circles alone, less surely.",
    "Reinstall the program; until then point at the parts with --look-at.",
    "note",
)
NO_PUMP_SEEN = _register(
    "no_pump_seen",
    "This does not look like a diaphragm pump.",
    "Send a photo of the pump's chamber or port; if it is one, point at the part with --look-at.",
    "caution",
)
NOTHING_FOUND = _register(
    "nothing_found",
    "No round part of a pump was made out in this photo.",
    "Shoot square on at a chamber cover or at the port, filling the picture, or point at the part with --look-at.",
    "caution",
)
POSE_AMBIGUOUS = _register(
    "pose_ambiguous",
    "The slant of the reference can be read in two ways; the interval covers both.",
    "Shoot a little more from the side, 10 to 20 degrees, so that the slant shows.",
    "note",
)
PLANES_DISAGREE = _register(
    "planes_disagree",
    "The reference does not lie parallel to the part it should lie on.",
    "Lay the reference flat on the part, or say with --card-at where it lies.",
    "caution",
)
REFERENCE_ON_FLOOR = _register(
    "reference_on_floor",
    "The reference seems to lie on the floor, so sizes hang on how high parts of the pump stand above it.",
    "Lay the reference flat on the flange or on the chamber's rim, or say with --card-at where it lies.",
    "caution",
)
PHOTOS_DISAGREE = _register(
    "photos_disagree",
    "Photos of this pump give different sizes for the same part.",
    "Check that all photos show one pump and that --card-at is true for all of them.",
    "caution",
)
