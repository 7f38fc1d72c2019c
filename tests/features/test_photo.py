"""Good and merely odd photo files come in upright, in sRGB, exactly as Pillow itself decodes them."""

import io
import pickle
import struct
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms, ImageOps, PngImagePlugin

from features.decode_heif import has_transform_box
from features.photo import Photo, load_photo, load_photos, told_apart

pillow_heif.register_heif_opener()


def scene(width=320, height=240):
    """A picture without any symmetry, smooth enough for lossy codecs."""
    y, x = np.mgrid[:height, :width]
    red = 255 * x / width
    green = 255 * y / height
    blue = np.where((x < width / 3) & (y < height / 4), 230.0, 40.0)
    return Image.fromarray(np.stack([red, green, blue], axis=-1).round().astype(np.uint8))


def exif_with(**values):
    exif = Image.Exif()
    for tag, value in values.items():
        exif[int(tag[1:], 16)] = value
    return exif


def codes(photo):
    return [problem.kind.code for problem in photo.problems]


def loaded(path):
    photo = load_photo(path)
    assert photo, str(photo)
    assert isinstance(photo, Photo)
    assert photo.pixels_rgb.dtype == np.uint8
    assert photo.pixels_rgb.flags.c_contiguous
    return photo


def difference(photo, image):
    pixels = np.asarray(image)
    assert photo.pixels_rgb.shape == pixels.shape
    return int(np.abs(photo.pixels_rgb.astype(int) - pixels).max())


# --- orientation ------------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["jpg", "png", "webp"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_applied_once_as_pillow_does(tmp_path, suffix, orientation):
    path = tmp_path / f"photo.{suffix}"
    scene().save(path, exif=exif_with(x112=orientation))
    with Image.open(path) as image:
        reference = ImageOps.exif_transpose(image).convert("RGB")
    photo = loaded(path)
    assert difference(photo, reference) == 0
    assert (photo.width_px, photo.height_px) == ((320, 240) if orientation < 5 else (240, 320))
    assert "orientation_ignored" not in codes(photo)


@pytest.mark.parametrize("junk", [0, 9, 77, 65535])
def test_junk_orientation_is_ignored_and_said(tmp_path, junk):
    path = tmp_path / "photo.jpg"
    scene().save(path, exif=exif_with(x112=junk))
    photo = loaded(path)
    assert (photo.width_px, photo.height_px) == (320, 240)
    assert "orientation_ignored" in codes(photo)


def test_real_photos_of_every_orientation_come_out_upright(real_photos):
    """recurser/exif-orientation-examples: the stored orientation is the number in the name, 0 is invalid."""
    for path in sorted((real_photos / "exif-orientation").glob("*.jpg")):
        photo = loaded(path)
        with Image.open(path) as image:
            reference = ImageOps.exif_transpose(image).convert("RGB")
        assert difference(photo, reference) == 0, path.name
        upright = (1800, 1200) if path.name.startswith("Landscape") else (1200, 1800)
        assert (photo.width_px, photo.height_px) == upright, path.name


def saved_heic(path, orientation, marked):
    """A HEIC that holds `orientation` as rotation and mirror boxes and, if `marked`, as EXIF tag too."""
    exif = exif_with(x112=orientation).tobytes()
    scene().save(path, format="HEIF", quality=95, exif=exif)
    data = path.read_bytes()
    # pillow-heif resets the EXIF tag when it writes the box; phones keep both, so put it back.
    little = b"\x12\x01\x03\x00\x01\x00\x00\x00"
    big = b"\x01\x12\x00\x03\x00\x00\x00\x01"
    for head, code in ((little, struct.pack("<H", orientation)), (big, struct.pack(">H", orientation))):
        at = data.find(head)
        if marked and at >= 0:
            data = data[: at + 8] + code + data[at + 10 :]
    path.write_bytes(data)
    return data


@pytest.mark.parametrize("orientation", range(2, 9))
def test_heic_with_rotation_box_and_exif_orientation_is_turned_once(tmp_path, orientation):
    path = tmp_path / "photo.heic"
    data = saved_heic(path, orientation, marked=True)
    stored = pillow_heif.open_heif(io.BytesIO(data)).info["exif"]
    assert orientation in (stored[i] for i in range(len(stored)))  # the trap is set
    assert has_transform_box(data)
    photo = loaded(path)
    upright = ImageOps.exif_transpose(with_exif(scene(), orientation))
    assert photo.pixels_rgb.shape[:2] == upright.size[::-1]
    # Lossy: the mean difference is far below that of any wrong orientation of this scene.
    error = np.abs(photo.pixels_rgb.astype(float) - np.asarray(upright)).mean()
    assert error < 4.0


def with_exif(image, orientation):
    buffer = io.BytesIO()
    image.save(buffer, "PNG", exif=exif_with(x112=orientation))
    return Image.open(io.BytesIO(buffer.getvalue()))


def test_heic_without_a_rotation_box_follows_its_exif_orientation(real_photos):
    """A phone that stores the sensor's rows as they are and only marks EXIF orientation 6."""
    path = real_photos / "exif-phones" / "galaxy_s24fe_ori6.heic"
    assert not has_transform_box(path.read_bytes())
    photo = loaded(path)
    assert (photo.width_px, photo.height_px) == (1848, 4000)


def test_heic_arrow_of_a_real_phone_points_up(real_photos):
    """pillow_heif's test photo: a hand-drawn arrow, EXIF orientation 6 and a rotation box."""
    photo = loaded(real_photos / "exif-phones" / "iphone8plus_arrow_ori6.heic")
    assert (photo.width_px, photo.height_px) == (3024, 4032)
    ink = photo.pixels_rgb[100:-1000].max(axis=-1) < 60
    rows = np.flatnonzero(ink.any(axis=1))
    widths = [np.ptp(np.flatnonzero(ink[row])) for row in rows[:: len(rows) // 20]]
    assert np.argmax(widths) > 2  # the head widens downwards from the tip ...
    assert widths[0] < 0.2 * max(widths)
    assert widths[-1] < 0.6 * max(widths)  # ... and the shaft below it is narrower


def test_boxes_that_make_no_sense_are_no_rotation():
    assert not has_transform_box(b"")
    assert not has_transform_box(b"\x00\x00\x00\x04meta")
    assert not has_transform_box(b"\xff\xff\xff\xffmeta\x00\x00\x00\x00irot")
    assert not has_transform_box(b"\x00\x00\x00\x10mdatirot\x00\x00\x00\x00")


# --- color ------------------------------------------------------------------------------------------


def test_sixteen_bit_gray_is_scaled_not_clipped(tmp_path):
    ramp = np.linspace(0, 65535, 256 * 256).astype(np.uint16).reshape(256, 256)
    Image.fromarray(ramp).save(tmp_path / "gray16.png")
    photo = loaded(tmp_path / "gray16.png")
    assert np.array_equal(photo.pixels_rgb, np.repeat((ramp >> 8)[..., None].astype(np.uint8), 3, axis=2))


def test_sixteen_bit_color_is_scaled(tmp_path):
    """OpenCV writes the 16-bit file; the high byte of each sample is expected."""
    import cv2

    deep = np.random.default_rng(3).integers(0, 65536, (256, 256, 3), dtype=np.uint16)
    cv2.imwrite(str(tmp_path / "deep.png"), deep)
    photo = loaded(tmp_path / "deep.png")
    assert np.abs(photo.pixels_rgb[..., ::-1].astype(int) - deep / 257).max() <= 1.0


@pytest.mark.parametrize("mode", ["L", "1", "P", "RGB"])
def test_plain_modes_match_pillow(tmp_path, mode):
    path = tmp_path / "photo.png"
    scene().convert(mode).save(path)
    with Image.open(path) as image:
        assert difference(loaded(path), image.convert("RGB")) == 0


@pytest.mark.parametrize("mode", ["RGBA", "LA"])
def test_transparency_is_laid_over_white(tmp_path, mode):
    path = tmp_path / "photo.png"
    image = scene().convert(mode)
    image.putalpha(Image.linear_gradient("L").resize(image.size))
    image.save(path)
    white = Image.new("RGBA", image.size, "white")
    reference = Image.alpha_composite(white, image.convert("RGBA")).convert("RGB")
    photo = loaded(path)
    assert difference(photo, reference) <= 1  # rounding of the two ways to blend
    assert "transparency_flattened" in codes(photo)


def test_palette_with_a_transparent_entry_is_laid_over_white(tmp_path):
    path = tmp_path / "photo.png"
    scene().quantize(16).save(path, transparency=0)
    with Image.open(path) as image:
        rgba = image.convert("RGBA")
    reference = Image.alpha_composite(Image.new("RGBA", rgba.size, "white"), rgba).convert("RGB")
    assert difference(loaded(path), reference) == 0


def test_printing_colors_match_pillow_and_are_said(tmp_path):
    path = tmp_path / "photo.jpg"
    scene().convert("CMYK").save(path, quality=95)
    with Image.open(path) as image:
        assert image.mode == "CMYK"
        reference = image.convert("RGB")
    photo = loaded(path)
    assert difference(photo, reference) == 0
    assert "colors_approximate" in codes(photo)


def swapped_profile():
    """An sRGB profile whose red and blue primaries have changed places: every color moves."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    red, blue = profile.find(b"rXYZ", 128), profile.find(b"bXYZ", 128)
    profile[red : red + 4], profile[blue : blue + 4] = b"bXYZ", b"rXYZ"
    return bytes(profile)


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "P"])
def test_a_color_profile_is_converted_as_littlecms_does(tmp_path, mode):
    path = tmp_path / "photo.png"
    scene().convert(mode).save(path, icc_profile=swapped_profile())
    with Image.open(path) as image:
        plain = image.convert("RGB")
    source = ImageCms.ImageCmsProfile(io.BytesIO(swapped_profile()))
    reference = ImageCms.profileToProfile(plain, source, ImageCms.createProfile("sRGB"))
    photo = loaded(path)
    assert difference(photo, reference) == 0
    assert difference(photo, plain) > 100  # the profile does change this picture


def test_display_p3_of_a_real_phone_is_converted(real_photos):
    path = real_photos / "exif-phones" / "iphone7_industrial_IMG_2682.heic"
    with Image.open(path) as image:
        source = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
        reference = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"))
    assert "P3" in ImageCms.getProfileDescription(source)
    assert difference(loaded(path), reference) == 0


def test_an_srgb_profile_changes_nothing(tmp_path):
    path = tmp_path / "photo.png"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    scene().save(path, icc_profile=profile)
    assert difference(loaded(path), scene()) == 0


def test_a_broken_color_profile_is_ignored_and_said(tmp_path):
    path = tmp_path / "photo.png"
    scene().save(path, icc_profile=b"no profile at all")
    photo = loaded(path)
    assert difference(photo, scene()) == 0
    assert "color_profile_ignored" in codes(photo)


# --- odd but usable files ---------------------------------------------------------------------------


def jpeg_bytes(**options):
    buffer = io.BytesIO()
    scene().save(buffer, "JPEG", quality=95, **options)
    return buffer.getvalue()


def test_trailing_garbage_does_no_harm(tmp_path):
    (tmp_path / "plain.jpg").write_bytes(jpeg_bytes())
    (tmp_path / "garbage.jpg").write_bytes(jpeg_bytes() + b"PK\x03\x04" + b"%PDF-1.7" + bytes(5000))
    plain, garbage = loaded(tmp_path / "plain.jpg"), loaded(tmp_path / "garbage.jpg")
    assert np.array_equal(plain.pixels_rgb, garbage.pixels_rgb)


@pytest.mark.parametrize(
    "exif",
    [
        b"Exif\0\0II*\0\xff\xff\xff\x7f",  # directory far outside
        b"Exif\0\0MM\0*\0\0\0\x08\xff\xff" + bytes(40),  # 65535 entries
        # camera tags outside
        b"Exif\0\0II*\0\x08\0\0\0\x01\0\x69\x87\x04\0\x01\0\0\0\xff\xff\xff\x7f\0\0\0\0",
        b"Exif\0\0garbage",
    ],
)
def test_broken_exif_is_said_but_no_reason_to_refuse(tmp_path, exif):
    path = tmp_path / "photo.jpg"
    path.write_bytes(jpeg_bytes(exif=exif))
    photo = loaded(path)
    assert (photo.width_px, photo.height_px) == (320, 240)
    assert photo.focal.source == "phone_prior"
    assert "exif_damaged" in codes(photo)


def test_empty_exif_is_not_worth_a_word(tmp_path):
    path = tmp_path / "photo.jpg"
    path.write_bytes(jpeg_bytes(exif=b"Exif\0\0"))
    assert "exif_damaged" not in codes(loaded(path))


@pytest.mark.parametrize("suffix", ["webp", "png"])
def test_the_first_picture_of_an_animation_is_used_and_said(tmp_path, suffix):
    path = tmp_path / f"moving.{suffix}"
    frames = [Image.new("RGB", (320, 240), color) for color in ("red", "blue")]
    frames[0].save(path, save_all=True, append_images=frames[1:], lossless=True)
    photo = loaded(path)
    assert tuple(photo.pixels_rgb[0, 0]) == (255, 0, 0)
    assert "first_frame_only" in codes(photo)


def test_previews_inside_a_phone_jpeg_are_not_worth_a_word(tmp_path):
    path = tmp_path / "phone.jpg"
    scene().save(path, format="MPO", save_all=True, append_images=[scene().resize((160, 120))])
    assert "first_frame_only" not in codes(loaded(path))


def test_the_content_counts_not_the_ending(tmp_path):
    path = tmp_path / "really_a.heic"
    scene().save(path, format="PNG")
    assert difference(loaded(path), scene()) == 0


def test_links_are_followed(tmp_path):
    scene().save(tmp_path / "real.png")
    (tmp_path / "link.png").symlink_to(tmp_path / "real.png")
    assert loaded(tmp_path / "link.png").name == "link.png"


def test_few_pixels_are_a_caution(tmp_path):
    scene().save(tmp_path / "small.png")
    scene(1200, 900).save(tmp_path / "enough.png")
    assert "photo_low_resolution" in codes(loaded(tmp_path / "small.png"))
    assert "photo_low_resolution" not in codes(loaded(tmp_path / "enough.png"))


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("pump 1.jpg", "pump 1.jpg"),
        ("Pumpe größe Ω.jpg", "Pumpe größe Ω.jpg"),
        ("line\nbreak.jpg", "line\\x0abreak.jpg"),
        ("\x1b[31mred.jpg", "\\x1b[31mred.jpg"),
        ("gpj.\u202ereversed.jpg", "gpj.\\u202ereversed.jpg"),
        ("not-utf8-\udcff.jpg", "not-utf8-\\xff.jpg"),
    ],
)
def test_names_are_safe_to_print(tmp_path, name, shown):
    path = tmp_path / name
    path.write_bytes(jpeg_bytes())
    photo = loaded(path)
    assert photo.name == shown
    assert photo.path == path
    refused = load_photo(tmp_path / f"missing {name}")
    assert str(refused).startswith(f"missing {shown}: There is no such file.")
    assert "\n" not in str(refused)
    str(refused).encode("utf-8")


def test_several_photos_keep_their_order_and_the_refused_their_place(tmp_path):
    paths = []
    for number in range(5):
        path = tmp_path / f"{number}.png"
        Image.new("RGB", (300 + number, 240)).save(path)
        paths.append(path)
    paths[2].write_bytes(b"")
    results = load_photos(paths)
    assert [bool(result) for result in results] == [True, True, False, True, True]
    assert [result.name for result in results] == [path.name for path in paths]
    assert [result.width_px for result in results if result] == [300, 301, 303, 304]
    assert load_photos([]) == ()


# --- privacy ----------------------------------------------------------------------------------------

SECRETS = (
    b"SERIAL-20931",
    b"Owner Ottokar",
    b"makernote-secret",
    b"secret-lens-77",
    b"2019:03:04",
    b"xmp-secret",
)


def secretive_jpeg(path):
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0132] = "Inventcam", "Model Z", "2019:03:04 05:06:07"
    camera = exif.get_ifd(0x8769)
    camera[0xA431], camera[0xA430], camera[0xA435] = "SERIAL-20931", "Owner Ottokar", "secret-lens-77"
    camera[0x927C] = b"makernote-secret"
    camera[0xA405], camera[0x920A] = 27, 4.5
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (48.0, 51.0, 29.6), "E", (2.0, 17.0, 40.2)
    comment = b"xmp-secret"
    scene().save(path, exif=exif, comment=comment, xmp=b"<x:xmpmeta>xmp-secret</x:xmpmeta>")


def test_files_of_one_name_in_several_folders_are_told_apart(tmp_path):
    """Phones name every picture that is picked image.jpg."""
    paths = [tmp_path / folder / "image.jpg" for folder in ("chamber", "port", "front")]
    for path in paths:
        path.parent.mkdir()
        Image.new("RGB", (640, 480), (90, 90, 90)).save(path)
    paths[1].write_bytes(b"no picture")
    first, refused, last = load_photos(paths)
    assert (first.name, refused.name, last.name) == ("image.jpg", "image.jpg", "image (2).jpg")
    assert told_apart(["a.jpg", "a.jpg", "a (2).jpg", "a.jpg"]) == ("a.jpg", "a (3).jpg", "a (2).jpg", "a (4).jpg")


def test_position_serial_number_and_all_other_metadata_stay_in_the_loader(tmp_path):
    path = tmp_path / "photo.jpg"
    secretive_jpeg(path)
    raw = path.read_bytes()
    assert all(secret in raw for secret in SECRETS)
    with Image.open(path) as image:
        assert image.getexif().get_ifd(0x8825)[2] == (48.0, 51.0, 29.6)
    photo = loaded(path)
    assert set(vars(photo)) == {"name", "path", "pixels_rgb", "focal", "problems"}
    assert set(vars(photo.focal)) == {"focal_px", "relative_sd", "source", "k1_sd", "center_sd"}
    everything = pickle.dumps(photo) + repr(vars(photo)).encode()
    assert not [secret for secret in (*SECRETS, b"Inventcam", b"Model Z", b"51.0", b"29.6") if secret in everything]
    assert photo.focal.source == "exif_35mm"  # the one thing that was asked for did come through


def test_the_decoder_answers_with_six_numbers_of_the_camera_and_nothing_else(tmp_path):
    from features.decode_process import shared_pool

    path = tmp_path / "photo.jpg"
    secretive_jpeg(path)
    decoded = shared_pool().decode(path.read_bytes(), "JPEG")
    assert vars(decoded.facts) == {
        "focal_mm": 4.5,
        "focal_35mm": 27.0,
        "width_px": None,
        "height_px": None,
        "focal_plane_px_per_mm": None,
        "digital_zoom": None,
    }


def test_png_text_stays_in_the_loader(tmp_path):
    info = PngImagePlugin.PngInfo()
    info.add_text("Author", "Owner Ottokar")
    scene().save(tmp_path / "photo.png", pnginfo=info)
    photo = loaded(tmp_path / "photo.png")
    assert b"Ottokar" not in pickle.dumps(photo)
    assert isinstance(photo.path, Path)
