"""Photographs of what was fitted: upright, small, and without what the camera noted beside the picture."""

import io

from PIL import Image

from logger_app.io.photos import MAX_PHOTOS, read_photos


def photograph(path, orientation=1, size=(1600, 1200)):
    """Left half dark, right half light; GPS and owner in its Exif (JEITA CP-3451: 0x0112, 0x8825, 0xA430)."""
    image = Image.new("RGB", size, (30, 30, 30))
    image.paste((220, 220, 220), (size[0] // 2, 0, *size))
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x8825] = {1: "N", 2: (47.0, 30.0, 0.0)}
    exif[0xA430] = "an owner"
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save(path, "JPEG", exif=exif)


def test_what_the_camera_noted_of_place_and_owner_stays_behind(tmp_path):
    photograph(tmp_path / "cuffs" / "left.jpg")
    ((configuration, name, jpeg),), troubles = read_photos(tmp_path)

    assert (configuration, name, troubles) == ("cuffs", "left.jpg", [])
    with Image.open(io.BytesIO(jpeg)) as small:
        assert small.width == 1000 and dict(small.getexif()) == {}
    assert b"an owner" not in jpeg and b"Exif" not in jpeg


def test_a_picture_taken_on_its_side_stands_upright(tmp_path):
    photograph(tmp_path / "cuffs" / "left.jpg", orientation=6)  # to be turned 90 degrees clockwise
    ((_, _, jpeg),), _ = read_photos(tmp_path)

    with Image.open(io.BytesIO(jpeg)) as small:
        assert small.height > small.width
        assert small.getpixel((5, 5))[0] < 60 and small.getpixel((5, small.height - 5))[0] > 190


def test_what_cannot_be_used_is_named_and_the_others_stay(tmp_path):
    photograph(tmp_path / "cuffs" / "b.jpg", size=(40, 30))
    (tmp_path / "cuffs" / "a.jpg").write_text("no picture")
    for k in range(MAX_PHOTOS + 1):
        photograph(tmp_path / "plain" / f"{k}.jpg", size=(40, 30))
    (tmp_path / "elsewhere").symlink_to(tmp_path / "plain")

    found, troubles = read_photos(tmp_path)

    assert [(place, name) for place, name, _ in found] == [
        ("cuffs", "b.jpg"),
        *(("plain", f"{k}.jpg") for k in range(MAX_PHOTOS)),
    ]
    assert len(troubles) == 2 and "a.jpg" in troubles[0] and "plain" in troubles[1]
    assert read_photos(tmp_path / "nowhere") == ([], [])
