"""Background photographs without people, from Debian's package opencv-doc, and cloth pictures made from them.

Usage: backgrounds.py /usr/share/doc/opencv-doc OUT.npz
Every listed picture was looked at: no people in it. The last ones of the list are held out for tests.
"""

import sys

import cv2
import numpy as np

EXAMPLES = """alphamat/input_images/plant.jpg data/aero1.jpg data/aloeL.jpg data/apple.jpg data/board.jpg data/box_in_scene.png data/building.jpg
data/butterfly.jpg data/cards.png data/fruits.jpg data/graf1.png data/graf3.png data/leuvenA.jpg data/leuvenB.jpg data/licenseplate_motion.jpg
data/orange.jpg data/pic2.png data/rubberwhale1.png data/smarties.png data/starry_night.jpg data/stuff.jpg data/sudoku.png reg/LR_05.png
reg/home.png data/baboon.jpg data/squirrel_cls.jpg hfs/data/000.jpg text/scenetext02.jpg text/scenetext04.jpg text/scenetext05.jpg
text/scenetext06.jpg text/scenetext_segmented_word01.jpg text/scenetext_segmented_word02.jpg text/scenetext_segmented_word03.jpg""".split()
MANUAL = """Basic_Linear_Transform_Tutorial_gamma_correction Harris_Detector_Original_Image aero_det astra_color bicubicOutput boat bus_det cat_det
fusion_mertens ldr_debevec space_shuttle""".split()
HELD_OUT = ["examples/data/home.jpg", "examples/text/scenetext_segmented_word04.jpg", "opencv4/html/corridor_fld.jpg",
            "opencv4/html/retina_TreeHdr_small.jpg"]
SIDE = 512

TEXTURES, DECAL_TEXTURES, WEAVES, PHOTO_CLOTH = 288, 96, 96, 96  # total, then numbers and badges, weaves, pieces of photographs
TEXTURE_SIDE = 128


def collect(folder):
    """All pictures as (n, 512, 512, 3) RGB; the held-out ones last."""
    names = [f"examples/{name}" for name in EXAMPLES] + [f"opencv4/html/{name}.jpg" for name in MANUAL] + HELD_OUT
    pictures = []
    for name in names:
        picture = cv2.imread(f"{folder}/{name}")
        if picture is None:
            raise FileNotFoundError(f"{folder}/{name}")
        pictures.append(cv2.resize(picture, (SIDE, SIDE), interpolation=cv2.INTER_AREA)[..., ::-1])
    return np.stack(pictures)


def split(pictures, held_out):
    """The training pictures, or those kept for tests."""
    return pictures[-len(HELD_OUT):] if held_out else pictures[:-len(HELD_OUT)]


class ClothPictures:
    """Draws the (288, 128, 128, 4) RGBA pictures that the renderer lays on cloth."""

    def __init__(self, pictures, seed):
        self.random, self.pictures = np.random.RandomState(seed), pictures

    def draw(self):
        sheets = [self.decal(index % 4) for index in range(DECAL_TEXTURES)]
        sheets += [self.weave(index % 6) for index in range(WEAVES)]
        sheets += [self.photograph() for _ in range(PHOTO_CLOTH)]
        return np.stack(sheets)

    def colour(self):
        channels = self.random.rand(3) if self.random.rand() < 0.6 else np.full(3, self.random.rand())
        return tuple(int(value * 255) for value in channels)

    def decal(self, kind):
        random = self.random
        sheet = np.zeros((TEXTURE_SIDE, TEXTURE_SIDE, 4), "u1")
        if kind < 2:
            return self.text(str(random.randint(0, 100)) if kind == 0 else "".join(chr(65 + random.randint(26)) for _ in range(random.randint(3, 8))),
                             thickness=random.randint(2, 7) if kind else random.randint(5, 14))
        if kind == 2:  # a badge
            for _ in range(random.randint(2, 7)):
                centre = tuple(int(value) for value in random.randint(20, 108, 2))
                colour = self.colour() + (255,)
                if random.rand() < 0.5:
                    cv2.circle(sheet, centre, int(random.randint(8, 50)), colour, int(random.choice([-1, 4, 9])))
                else:
                    corners = np.array(centre) + random.randint(-50, 50, (random.randint(3, 7), 2))
                    cv2.fillPoly(sheet, [corners.astype(np.int32)], colour)
            return sheet
        sheet[:] = self.colour() + (255,)
        for _ in range(random.randint(1, 4)):
            left, right = (0, int(random.randint(128))), (128, int(random.randint(128)))
            if random.rand() < 0.6:
                cv2.rectangle(sheet, left, right, self.colour() + (255,), -1)
            else:
                cv2.line(sheet, left, right, self.colour() + (255,), int(random.randint(4, 30)))
        return sheet

    def text(self, words, thickness):
        random = self.random
        fonts = [cv2.FONT_HERSHEY_SIMPLEX, cv2.FONT_HERSHEY_DUPLEX, cv2.FONT_HERSHEY_TRIPLEX, cv2.FONT_HERSHEY_SCRIPT_COMPLEX]
        font = fonts[random.randint(4)]
        (width, height), _ = cv2.getTextSize(words, font, 1.0, thickness)
        mask = np.zeros((height + 2 * thickness + 14, width + 2 * thickness + 8), "u1")
        cv2.putText(mask, words, (thickness + 2, height + thickness + 4), font, 1.0, 255, thickness)
        sheet = np.zeros(mask.shape + (4,), "u1")
        sheet[..., :3], sheet[..., 3] = self.colour(), mask
        if random.rand() < 0.4:  # outlined
            sheet[..., :3] = np.where((mask > 127)[..., None], sheet[..., :3], np.array(self.colour()))
            sheet[..., 3] = cv2.dilate(mask, np.ones((5, 5), "u1"))
        return cv2.resize(sheet, (TEXTURE_SIDE, TEXTURE_SIDE), interpolation=cv2.INTER_AREA)

    def weave(self, kind):
        random = self.random
        base = np.full((TEXTURE_SIDE, TEXTURE_SIDE, 3), self.colour(), "f4")
        period = int(random.choice([8, 16, 32, 64]))
        y, x = np.mgrid[:TEXTURE_SIDE, :TEXTURE_SIDE]
        if kind == 0:  # stripes
            for _ in range(random.randint(1, 4)):
                base[((x if random.rand() < 0.5 else y) % period) < period * random.uniform(0.1, 0.6)] = self.colour()
        elif kind == 1:  # checks
            for _ in range(random.randint(2, 5)):
                width, colour, start = random.uniform(0.05, 0.5), np.array(self.colour()), random.randint(period)
                for axis in (x, y):
                    band = (((axis + start) % period) < period * width)[..., None]
                    base = base * (1 - 0.5 * band) + colour * 0.5 * band
        elif kind == 2:  # dots
            base[((x % period - period / 2) ** 2 + (y % period - period / 2) ** 2) < (period * random.uniform(0.15, 0.45)) ** 2] = self.colour()
        elif kind == 3:  # camouflage
            for _ in range(random.randint(1, 4)):
                field = cv2.resize(random.rand(16, 16).astype("f4"), (TEXTURE_SIDE,) * 2, interpolation=cv2.INTER_CUBIC)
                base[field > random.uniform(0.45, 0.7)] = self.colour()
        elif kind == 4:  # flowers
            for _ in range(random.randint(12, 60)):
                cv2.ellipse(base, tuple(int(v) for v in random.randint(0, 128, 2)), tuple(int(v) for v in random.randint(2, 18, 2)),
                            int(random.randint(180)), 0, 360, tuple(float(v) for v in random.rand(3) * 255), -1)
        else:  # diagonal or zigzag
            zigzag = np.abs(y % period - period // 2) * 2 if random.rand() < 0.5 else 0
            base[((x + (y if random.rand() < 0.5 else -y) + zigzag) % period) < period * random.uniform(0.2, 0.6)] = self.colour()
        return np.concatenate([base.clip(0, 255).astype("u1"), np.full((TEXTURE_SIDE, TEXTURE_SIDE, 1), 255, "u1")], -1)

    def photograph(self):
        picture = self.pictures[self.random.randint(len(self.pictures))]
        side = self.random.randint(60, 400)
        top, left = self.random.randint(0, SIDE - side, 2)
        piece = cv2.resize(picture[top:top + side, left:left + side], (TEXTURE_SIDE,) * 2, interpolation=cv2.INTER_AREA)
        return np.concatenate([piece, np.full((TEXTURE_SIDE, TEXTURE_SIDE, 1), 255, "u1")], -1)


if __name__ == "__main__":
    collected = collect(sys.argv[1])
    np.savez_compressed(sys.argv[2], pictures=collected)
    print(len(collected), "pictures")
