"""What can be wrong with a photo file and with the photo itself, and what to do about it."""

from features.problem_registry import register

FILE_MISSING = register("file_missing", "There is no such file.", "Check the path.", "refused")
FILE_NOT_A_FILE = register(
    "file_not_a_file", "This is not an ordinary file.", "Give the photo files themselves.", "refused"
)
FILE_UNREADABLE = register(
    "file_unreadable",
    "The file cannot be read.",
    "Check its permissions and whether its disk is well, or copy it elsewhere.",
    "refused",
)
FILE_EMPTY = register("file_empty", "The file is empty.", "Copy or send the photo again.", "refused")
FILE_TOO_LARGE = register(
    "file_too_large",
    "The file is larger than a photo should be (64 MB).",
    "Give the phone's own JPEG or HEIC file.",
    "refused",
)
FORMAT_UNSUPPORTED = register(
    "format_unsupported",
    "Only JPEG, PNG, WebP and HEIC photos can be read.",
    "Save or export the photo as JPEG; the name's ending alone changes nothing.",
    "refused",
)
NOT_A_PHOTO = register("not_a_photo", "The file is not a photo.", "Give a JPEG, PNG, WebP or HEIC file.", "refused")
PHOTO_DAMAGED = register(
    "photo_damaged",
    "The photo is damaged and cannot be decoded.",
    "Copy or send the original file again.",
    "refused",
)
PHOTO_TOO_MANY_PIXELS = register(
    "photo_too_many_pixels",
    "The picture claims more than 60 megapixels.",
    "Take the photo at the phone's usual resolution (12 megapixels is plenty).",
    "refused",
)
PHOTO_TOO_SMALL = register(
    "photo_too_small",
    "The picture is less than 200 pixels high or wide, too small to measure.",
    "Send the original photo, not its preview.",
    "refused",
)
HEIC_UNAVAILABLE = register(
    "heic_unavailable",
    "HEIC photos cannot be read on this installation.",
    "Run `pip install pillow-heif`, or send the photo as JPEG.",
    "refused",
)
DECODER_CRASHED = register(
    "decoder_crashed",
    "The file brought the picture decoder down; nothing else was harmed.",
    "Do not trust this file; take or send the photo again.",
    "refused",
)
DECODER_TIMED_OUT = register(
    "decoder_timed_out",
    "Decoding took too long and was stopped.",
    "Try again when the computer is less busy, or send the photo as an ordinary JPEG.",
    "refused",
)
DECODER_OUT_OF_MEMORY = register(
    "decoder_out_of_memory",
    "Decoding needs more memory than a photo may use.",
    "Send the photo at the phone's usual resolution.",
    "refused",
)
DECODER_UNAVAILABLE = register(
    "decoder_unavailable",
    "The process that decodes photos could not be started.",
    "Check this installation (Pillow must be there) and that programs may be started.",
    "refused",
)
EXIF_DAMAGED = register(
    "exif_damaged",
    "The camera's notes in the file are damaged and were only partly read.",
    "Nothing need be done if the picture is upright; the original file may know the focal length.",
    "note",
)
ORIENTATION_IGNORED = register(
    "orientation_ignored",
    "The file's orientation mark makes no sense and was ignored.",
    "If the picture lies on its side, turn it and save it again.",
    "note",
)
FIRST_FRAME_ONLY = register(
    "first_frame_only", "The file holds several pictures; the first was used.", "Send single photos.", "note"
)
COLOR_PROFILE_IGNORED = register(
    "color_profile_ignored",
    "The color profile is damaged and was ignored, so colors may be off.",
    "Nothing need be done: sizes do not depend on it.",
    "note",
)
TRANSPARENCY_FLATTENED = register(
    "transparency_flattened",
    "Transparent parts were laid over white.",
    "Send the photo as the camera took it rather than a cut-out.",
    "note",
)
COLORS_APPROXIMATE = register(
    "colors_approximate",
    "The picture is stored in printing colors without a profile, so colors are approximate.",
    "Nothing need be done: sizes do not depend on it.",
    "note",
)
FOCAL_UNKNOWN = register(
    "focal_unknown",
    "The file says no focal length, so a usual phone camera is assumed.",
    "Send the original file: messaging apps strip the camera's notes.",
    "note",
)
FOCAL_DOUBTFUL = register(
    "focal_doubtful",
    "The focal length in the file can be read in more than one way, so it is trusted less.",
    "Shoot with the phone's main camera, without zoom, and send the original file.",
    "note",
)
PHOTO_CROPPED = register(
    "photo_cropped",
    "The photo seems to have been cropped, or taken off a screen, so the camera's center is not known.",
    "Send the original, whole: a crop off the middle bends every off-plane correction.",
    "caution",
)
PHOTO_SIDEWAYS = register(
    "photo_sideways",
    "The pump lies on its side in this photo, so the photo was turned before it was measured.",
    "Hold the phone so that the pump stands upright in the picture.",
    "note",
)
PHOTO_ZOOMED = register(
    "photo_zoomed",
    "Digital zoom was used, which adds pixels but no detail.",
    "Step closer instead of zooming.",
    "note",
)
PHOTO_LOW_RESOLUTION = register(
    "photo_low_resolution",
    "The photo has few pixels, so edges are found less exactly.",
    "Send the original file rather than a preview or a screenshot.",
    "caution",
)
PHOTO_BLURRED = register(
    "photo_blurred",
    "The photo is blurred.",
    "Wipe the lens, switch on a light, tap on the pump to focus, hold still, and shoot again.",
    "caution",
)
