"""The demo photos as data: which pump of the invented set, seen how, with what to tell the scale, in what light.

`scene` is where the search for a good composition starts. It was chosen by looking at small pictures; when the renderer
changes, the search goes on from there, so a photo stays good but may become another one.
"""

from dataclasses import dataclass

from tools.render.cameras import View
from tools.render.place_references import Where

MAIN_LENS_MM, SHORT_TELE_MM = 26.0, 50.0


@dataclass(frozen=True)
class Demo:
    """One demo photo.

    Attributes:
        name: file name without suffix.
        family_id: of the packaged set.
        references: as `place_references.make_reference` takes them, empty for none.
        card_at: where the reference lies; None without one.
        view, instance: kind of view and which chamber or port it shows.
        place, light: kinds of surroundings and of light.
        size_px: width and height of the upright photo.
        lens_mm: 35 mm-equivalent focal length.
        message: a copy as a messaging app leaves it, without EXIF.
        scene: number of the first scene tried.
    """

    name: str
    family_id: str
    references: tuple[str, ...]
    card_at: Where | None
    place: str
    light: str
    scene: int
    view: View = "chamber"
    instance: int = 0
    size_px: tuple[int, int] = (2048, 1536)
    lens_mm: float = MAIN_LENS_MM
    message: bool = False


UPRIGHT_PX = (1536, 2048)
MESSAGE_PX, MESSAGE_UPRIGHT_PX = (1600, 1200), (1200, 1600)

DEMOS = (
    Demo("01_pocket_card_on_rim", "MQ-CAT-20M-N", ("pocket",), "rim", "shop_floor", "windows", 1004),
    Demo("02_pocket_card_on_cover", "FW-BRY-20P-A", ("pocket",), "cover", "pallet", "tubes", 2003, size_px=UPRIGHT_PX),
    Demo("03_pocket_card_on_band", "OB-TEA-20M-N", ("pocket",), "rim", "bench", "windows", 3005),
    Demo("04_pocket_card_on_cover", "TW-MUL-20P-D", ("pocket",), "cover", "yard", "overcast", 4004),
    Demo("05_bank_card_on_rim", "TW-MUL-15P-D", ("bank_card",), "rim", "bench", "tubes", 5005, instance=1),
    Demo("06_pocket_card_on_rim", "MQ-CAT-15M-N", ("pocket",), "rim", "shop_floor", "tubes", 6001),
    Demo("07_bank_card_on_cover", "FW-BRY-15P-A", ("bank_card",), "cover", "bench", "windows", 7006),
    Demo("08_pocket_card_on_rim", "MQ-CAT-30M-A", ("pocket",), "rim", "yard", "sun", 8000, size_px=UPRIGHT_PX),
    Demo("09_pocket_card_on_cover", "OB-TEA-30M-A", ("pocket",), "cover", "shop_floor", "flash", 9005),
    Demo("10_two_euro_coin_on_cover", "MQ-CAT-10M-B", ("coin:eur-2",), "cover", "bench", "windows", 10002),
    Demo("11_quarter_on_cover", "FW-BRY-10P-A", ("coin:us-25c",), "cover", "bench", "tubes", 11002, instance=1),
    Demo("12_pocket_card_on_flange", "OB-TEA-20M-A", ("pocket",), "flange", "shop_floor", "windows", 12003, "port"),
    Demo("13_pocket_card_on_rim", "SL-COM-30M-D", ("pocket",), "rim", "pallet", "overcast", 13000,
         lens_mm=SHORT_TELE_MM),
    Demo("14_pocket_card_on_band", "OB-TEA-15M-N", ("pocket",), "rim", "shop_floor", "tubes", 14001,
         size_px=UPRIGHT_PX),
    Demo("15_message_pocket_card", "MQ-CAT-20R-N", ("pocket",), "rim", "shop_floor", "windows", 15001,
         size_px=MESSAGE_PX, message=True),
    Demo("16_message_pocket_card", "SL-COM-15P-D", ("pocket",), "cover", "pallet", "tubes", 16012,
         size_px=MESSAGE_UPRIGHT_PX, message=True),
    Demo("17_no_scale_port", "FW-BRY-20P-DC", (), None, "shop_floor", "tubes", 17001, "port"),
    Demo("18_pocket_card_on_flange", "OB-TEA-30M-JC", ("pocket",), "flange", "pallet", "windows", 18001, "port"),
    Demo("19_pocket_card_on_cover", "TW-MUL-10M-B", ("pocket",), "cover", "bench", "windows", 19001,
         lens_mm=SHORT_TELE_MM),
    Demo("20_pocket_card_on_rim", "SL-COM-20M-D", ("pocket",), "rim", "yard", "overcast", 20001, size_px=UPRIGHT_PX),
)  # fmt: skip
"""No photo was chosen for how well the program answers it."""
