"""The keypoint network: a backbone that has seen photographs, a top-down pyramid and three heads per keypoint.

Pixel convention of everything here: (0, 0) is the centre of the top left pixel of the 288 x 288 input, x right, y down.
Cell (column i, row j) of a heatmap has its centre at (4 i + 1.5, 4 j + 1.5).
"""

import torch
import torch.nn as nn
import torch.nn.functional as functional

from starting_network import TEACHER_HEATMAP, GraphNetwork

WIDTH, HEIGHT, STRIDE = 288, 288, 4  # square: a stride with both arms spread is wider than it is tall
CELL_CENTRE = (STRIDE - 1) / 2  # of cell 0, in pixels
MEAN, SCALE = 127.5, 1 / 127.5  # network input = (value in 0..255 - MEAN) * SCALE
LOG_SIGMA_LOW, LOG_SIGMA_RANGE = -1.5, 7.0  # standard deviations between 0.22 and 245 px
WINDOW = 2  # cells each way round the best cell that the decoded position averages over


def conv_block(channels_in, channels_out, size=3):
    """Convolution, batch normalisation, rectifier."""
    conv = nn.Conv2d(channels_in, channels_out, size, padding=size // 2, bias=False)
    return nn.Sequential(conv, nn.BatchNorm2d(channels_out), nn.ReLU(inplace=True))


class KeypointNetwork(nn.Module):
    """Image (n, 3, 288, 288) -> heatmap logits, log sigma map, visibility logit map, each (n, K, 72, 72)."""

    def __init__(self, nodes, keypoints, coarse=96, fine=64, context=208):
        super().__init__()
        self.keypoints = keypoints
        self.backbone = GraphNetwork(nodes)
        self.from32 = conv_block(1280, coarse, 1)
        self.from16 = nn.Conv2d(168, coarse, 1)
        self.from8 = nn.Conv2d(56, coarse, 1)
        self.from4 = nn.Conv2d(40 + 24, coarse, 1)
        self.fuse16 = conv_block(coarse, coarse)
        self.fuse8 = conv_block(coarse, coarse)
        # More room to weigh the whole body before the fine level; begins as nothing, so that older weights go on from where they were.
        self.weigh8 = nn.Sequential(conv_block(coarse, coarse), nn.Conv2d(coarse, coarse, 3, padding=1, bias=False), nn.BatchNorm2d(coarse))
        nn.init.zeros_(self.weigh8[2].weight)
        self.weigh8b = nn.Sequential(conv_block(coarse, coarse), nn.Conv2d(coarse, coarse, 3, padding=1, bias=False), nn.BatchNorm2d(coarse))
        # The posture as a whole, where a limb that cannot be seen is guessed from: wider at the coarse levels, where that is cheap.
        self.context32 = nn.Sequential(conv_block(1280, context, 1), conv_block(context, context))
        self.context16 = nn.Conv2d(168, context, 1)
        self.context = nn.Sequential(conv_block(context, context), nn.Conv2d(context, coarse, 1, bias=False), nn.BatchNorm2d(coarse))
        for last in (self.weigh8b[2], self.context[2]):  # they begin as nothing too
            nn.init.zeros_(last.weight)
        self.fuse4 = conv_block(coarse, fine)
        self.refine4 = conv_block(fine, fine)
        self.heatmap = nn.Conv2d(fine, keypoints, 1)
        self.visible = nn.Conv2d(fine, keypoints, 1)
        # The doubt has its own branch and sends no gradient into the trunk: it must not bend the positions.
        self.sigma = nn.Sequential(nn.Conv2d(fine, 64, 1), nn.ReLU(inplace=True), nn.Conv2d(64, keypoints, 1))
        nn.init.zeros_(self.sigma[2].weight)
        nn.init.zeros_(self.sigma[2].bias)

    def forward(self, image):
        """The three maps, and the starting network's own 17 heatmaps as the tuned backbone gives them."""
        features = self.backbone(image)
        double = lambda maps: functional.interpolate(maps, scale_factor=2, mode="nearest")
        fused = self.from32(features["stride32"])
        posture = self.context(double(self.context32(features["stride32"])) + self.context16(features["stride16"]))
        fused = self.fuse16(double(fused) + self.from16(features["stride16"]) + posture)
        fused = self.fuse8(double(fused) + self.from8(features["stride8"]))
        fused = functional.relu(fused + self.weigh8(fused))
        fused = functional.relu(fused + self.weigh8b(fused))
        detail = torch.cat([features["stride4_early"], features["stride4_late"]], 1)
        fused = self.refine4(self.fuse4(double(fused) + self.from4(detail)))
        return self.heatmap(fused), self.sigma(fused.detach()), self.visible(fused), features[TEACHER_HEATMAP]


def normalised(image):
    """Pictures with values 0..1 as the network wants them."""
    return (image * 255 - MEAN) * SCALE


def bounded_log_sigma(raw):
    """Smooth bounds on the log standard deviation; a hard clamp has no gradient where it matters and collapses."""
    return LOG_SIGMA_LOW + LOG_SIGMA_RANGE * torch.sigmoid(raw)


def read_under(heatmap, raw_sigma, raw_visible):
    """Log sigma (px) and visibility logit per keypoint: the maps' means under the softmax of the heatmap."""
    density = heatmap.flatten(2).softmax(-1)
    log_sigma = bounded_log_sigma((density * raw_sigma.flatten(2)).sum(-1))
    return log_sigma, (density * raw_visible.flatten(2)).sum(-1)


def decode(heatmap):
    """Positions (n, K, 2) in input pixels: the best cell, then the softmax-weighted mean over 5 x 5 cells round it."""
    height, width = heatmap.shape[2:]
    density = heatmap.float().flatten(2).softmax(-1)
    best = density.argmax(-1)
    density = density.view_as(heatmap)
    columns = torch.arange(width, device=heatmap.device)
    rows = torch.arange(height, device=heatmap.device)
    near_x = (columns - (best % width)[..., None]).abs() <= WINDOW
    near_y = (rows - torch.div(best, width, rounding_mode="floor")[..., None]).abs() <= WINDOW
    window = density * near_y[..., :, None] * near_x[..., None, :]
    total = window.sum((2, 3)) + 1e-9
    x = (window.sum(2) * columns).sum(-1) / total
    y = (window.sum(3) * rows).sum(-1) / total
    return torch.stack([x, y], -1) * STRIDE + CELL_CENTRE


class Exported(nn.Module):
    """The shipped graph: heatmap logits, log sigma in input pixels and visibility logit."""

    def __init__(self, network):
        super().__init__()
        self.network = network

    def forward(self, image):
        heatmap, sigma, visible, _ = self.network(image)
        log_sigma, visible = read_under(heatmap, sigma, visible)
        return heatmap, log_sigma, visible
