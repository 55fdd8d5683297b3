"""Checks of the training code. Usage: BODY=body.npz pytest test_training.py (without BODY the body checks are skipped)."""

import os

import numpy as np
import pytest
import torch

from body import FOREARM, HIP_SPACING, KEYPOINT_INDEX, KEYPOINTS, MIRRORED, UPPER_ARM, Body
from degrade import COSINES, block_coded
from network import decode
from rotations import DEVICE, about_x, between, unit
from train import target_density

needs_body = pytest.mark.skipif("BODY" not in os.environ, reason="BODY names no body file")


def test_mirroring_twice_is_nothing():
    assert [MIRRORED[k] for k in MIRRORED] == list(range(27))
    assert KEYPOINTS[MIRRORED[KEYPOINT_INDEX["left_wrist"]]] == "right_wrist"


def test_a_target_blob_decodes_to_its_keypoint():
    points = torch.rand(4, 27, 2, device=DEVICE) * torch.tensor([160.0, 220.0], device=DEVICE) + 16
    density = target_density(points, 3.2)
    assert (decode((density + 1e-12).log()) - points).abs().max() < 0.35  # the window of 5 cells cuts the tails


def test_cosine_basis_is_orthonormal():
    assert torch.allclose(COSINES @ COSINES.T, torch.eye(8, device=DEVICE), atol=1e-6)


def test_fine_block_coding_keeps_the_picture():
    ramp = torch.linspace(0.2, 0.8, 64, device=DEVICE).expand(2, 3, 64, 64).contiguous()
    coded = block_coded(ramp.clone(), torch.tensor([0.0, 0.05], device=DEVICE))
    assert torch.equal(coded[0], ramp[0])
    assert (coded[1] - ramp[1]).abs().max() < 0.02


def test_rotations():
    up = torch.tensor([[0.0, 1.0, 0.0]], device=DEVICE)
    quarter = about_x(torch.tensor([np.pi / 2], device=DEVICE))[0] @ up[0]
    assert torch.allclose(quarter, torch.tensor([0.0, 0.0, 1.0], device=DEVICE), atol=1e-6)
    ends = unit(torch.randn(2, 50, 3, device=DEVICE))
    moved = torch.einsum("bij,bj->bi", between(ends[0], ends[1]), ends[0])
    assert torch.allclose(moved, ends[1], atol=1e-5)


@needs_body
def test_corrected_bodies_have_the_stated_shares():
    vertices, _, points = Body(os.environ["BODY"]).sample(16)
    height = vertices[..., 1].amax(1) - vertices[..., 1].amin(1)
    at = lambda name: points[:, KEYPOINT_INDEX[name]]
    length = lambda a, b: (at(a) - at(b)).norm(dim=-1) / height
    assert torch.allclose(length("left_hip", "right_hip"), torch.full_like(height, HIP_SPACING), atol=2e-3)
    for side in ("left", "right"):
        assert torch.allclose(length(f"{side}_shoulder", f"{side}_elbow"), torch.full_like(height, UPPER_ARM), atol=1e-4)
        assert torch.allclose(length(f"{side}_elbow", f"{side}_wrist"), torch.full_like(height, FOREARM), atol=1e-4)


@needs_body
def test_posing_keeps_segment_lengths():
    body = Body(os.environ["BODY"])
    from poses import PoseSampler
    _, bones, points = body.sample(16)
    rotation, translation = body.forward_kinematics(bones, PoseSampler(body).sample(bones)[0])
    posed = body.posed_keypoints(points, rotation, translation)
    for start, end in (("left_hip", "left_knee"), ("right_shoulder", "right_elbow"), ("right_elbow", "right_wrist"), ("left_knee", "left_ankle")):
        segment = lambda p: (p[:, KEYPOINT_INDEX[start]] - p[:, KEYPOINT_INDEX[end]]).norm(dim=-1)
        assert torch.allclose(segment(posed), segment(points), atol=1e-4)
