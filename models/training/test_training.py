"""Checks of the training code. Usage: BODY=body.npz pytest test_training.py (without BODY the body checks are skipped)."""

import os

import numpy as np
import pytest
import torch

from body import FOREARM_FACTOR, HIP_FACTOR, KEYPOINT_INDEX, KEYPOINTS, MIRRORED, UPPER_ARM_FACTOR, Body
from degrade import COSINES, block_coded
from network import decode
from rotations import DEVICE, about_x, between, unit
from train import target_density

needs_body = pytest.mark.skipif("BODY" not in os.environ, reason="BODY names no body file")


def test_mirroring_twice_is_nothing():
    assert [MIRRORED[k] for k in MIRRORED] == list(range(len(KEYPOINTS)))
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
def test_correction_lengthens_by_its_factors_and_keeps_the_elbow():
    body = Body(os.environ["BODY"])
    ends = body.vertex_count, body.vertex_count + len(body.bone_names)
    rest = (body.mean + torch.einsum("bk,knc->bnc", body.coefficients[:16], body.basis))
    _, bones, points = body.corrected(rest[:, :ends[0]], rest[:, ends[0]:ends[1]], rest[:, ends[1]:])
    before, after = rest[:, ends[1]:], points
    length = lambda p, a, b: (p[:, KEYPOINT_INDEX[a]] - p[:, KEYPOINT_INDEX[b]]).norm(dim=-1)
    pairs = [("left_hip", "right_hip", HIP_FACTOR)]
    for side in ("left", "right"):
        pairs += [(f"{side}_shoulder", f"{side}_elbow", UPPER_ARM_FACTOR), (f"{side}_elbow", f"{side}_wrist", FOREARM_FACTOR)]
        elbow = KEYPOINT_INDEX[f"{side}_elbow"]
        assert torch.equal(before[:, elbow], after[:, elbow])
    for start, end, factor in pairs:
        assert torch.allclose(length(after, start, end), factor * length(before, start, end), atol=1e-3), (start, end)
    assert torch.equal(bones[:, body.bone_index["upperarm_L"]], after[:, KEYPOINT_INDEX["left_shoulder"]])


@needs_body
def test_factors_give_grown_bodies_the_usual_shares():
    # 0.10, 0.16 and 0.155 of body height: common practice, no source
    vertices, _, points = Body(os.environ["BODY"]).sample(256)
    height = vertices[..., 1].amax(1) - vertices[..., 1].amin(1)
    grown = height > 1.55
    length = lambda a, b: ((points[:, KEYPOINT_INDEX[a]] - points[:, KEYPOINT_INDEX[b]]).norm(dim=-1) / height)[grown].mean().item()
    assert abs(length("left_hip", "right_hip") - 0.10) < 0.006
    assert abs(length("left_shoulder", "left_elbow") - 0.16) < 0.006
    assert abs(length("left_elbow", "left_wrist") - 0.155) < 0.006


@needs_body
def test_the_hip_lies_where_bell_puts_it_from_the_front_spines():
    # Bell, Brand and Pedersen 1989: 14 % medial, 30 % distal, 22 % posterior of the spine, in shares of the spines' distance
    points = Body(os.environ["BODY"]).sample(64)[2]
    at = lambda name: points[:, KEYPOINT_INDEX[name]]
    width = (at("left_asis") - at("right_asis"))[:, 0]
    offset = (at("left_hip") - at("left_asis")) / width[:, None]
    assert torch.allclose(offset, torch.tensor([-0.14, -0.30, -0.22]), atol=5e-3), offset.mean(0)
    assert (at("left_psis")[:, 2] < at("left_asis")[:, 2]).all()


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
