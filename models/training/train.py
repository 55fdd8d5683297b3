"""Teach the keypoint network with rendered people.

Usage: train.py --body body.npz --backgrounds bg.npz --start start.pt --out DIR --seconds 480
Writes DIR/NAME.pt (half-precision running average of the weights, under 16 MiB), DIR/NAME.json (settings and held-out
figures) and DIR/NAME.png (finished crops with labels drawn: look at it before trusting a run). Several GPUs: start one
process each with WORLD_SIZE, RANK, LOCAL_RANK, MASTER_ADDR and MASTER_PORT set. `--resume` continues from a NAME.pt.
"""

import argparse
import dataclasses
import json
import math
import os
import time

import numpy as np
import torch
import torch.distributed as distributed
import torch.nn as nn
import torch.nn.functional as functional

RANK, WORLD = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
if torch.cuda.is_available():
    torch.cuda.set_device(int(os.environ.get("LOCAL_RANK", 0)))

import degrade  # noqa: E402  (the GPU must be chosen before constants are placed on it)
from body import KEYPOINTS  # noqa: E402
from compose import Crops, LayerPool  # noqa: E402
from evaluate import contact_sheet, measure, summary  # noqa: E402
from network import CELL_CENTRE, HEIGHT, STRIDE, WIDTH, KeypointNetwork, decode, normalised, read_under  # noqa: E402
from render import Renderer  # noqa: E402
from rotations import DEVICE  # noqa: E402
from starting_network import TEACHER_HEATMAP, GraphNetwork  # noqa: E402

TAIL = 4.0  # degrees of freedom of the errors' Student t distribution
TEACHER_SHARE = 4  # one crop in so many also goes through the starting network
YOUNGER = ("weigh8", "context")  # parts of the network that older weights lack
EXPECTATION_WEIGHT, SIGMA_WEIGHT, VISIBLE_WEIGHT = 0.1, 0.1, 0.05


def settings():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("body", "backgrounds", "start", "out"):
        parser.add_argument(f"--{name}", required=True)
    parser.add_argument("--name", default="athlete")
    parser.add_argument("--resume", help="weights to continue from")
    parser.add_argument("--seconds", type=float, default=480, help="training time, after setting up")
    parser.add_argument("--batch", type=int, default=256, help="crops a step and GPU")
    parser.add_argument("--reuse", type=int, default=8, help="crops per rendered person")
    parser.add_argument("--pool", type=int, default=12288, help="rendered people kept")
    parser.add_argument("--rate", type=float, default=2e-3, help="highest learning rate of the heads")
    parser.add_argument("--backbone-rate", type=float, default=0.08, help="the backbone's share of it")
    parser.add_argument("--rate-end", type=float, default=0.0, help="share of the rate left at the end")
    parser.add_argument("--label-sigma", type=float, default=3.6, help="width of the target blob, px")
    parser.add_argument("--distil", type=float, default=0.02, help="weight of keeping the starting network's heatmaps")
    parser.add_argument("--average", type=float, default=0.999, help="running average of the weights")
    parser.add_argument("--mound", type=float, default=0.0, help="share of pitchers alone, mildly damaged, in each batch")
    parser.add_argument("--hidden-weight", type=float, default=0.5, help="of keypoints that cannot be seen")
    parser.add_argument("--warm", type=int, default=600, help="steps over which the backbone's rate rises")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--held-out", type=int, default=2048, help="held-out crops measured at the end")
    parser.add_argument("--checkpoint", type=float, default=0, help="save the weights also every so many seconds")
    parser.add_argument("--compile", action="store_true")
    return parser.parse_args()


def target_density(keypoints, sigma):
    """Gaussian blobs on the heatmap grid that sum to one, (B, K, 72, 72)."""
    columns = torch.arange(WIDTH // STRIDE, device=DEVICE) * STRIDE + CELL_CENTRE
    rows = torch.arange(HEIGHT // STRIDE, device=DEVICE) * STRIDE + CELL_CENTRE
    across = torch.exp(-0.5 * ((columns - keypoints[..., :1]) / sigma) ** 2)
    down = torch.exp(-0.5 * ((rows - keypoints[..., 1:]) / sigma) ** 2)
    blob = down[..., :, None] * across[..., None, :]
    return blob / (blob.sum((2, 3), keepdim=True) + 1e-6)


def losses(outputs, teacher_heatmap, crops, config):
    """The parts of the loss and the mean position error (px)."""
    heatmap, sigma, visible, own_heatmap = (maps.float() for maps in outputs)
    inside, seen = crops.inside.float(), crops.visible.float()
    weight = inside * torch.where(crops.visible, 1.0, config.hidden_weight)
    total = weight.sum() + 1
    log_density = heatmap.flatten(2).log_softmax(-1)
    place = -(log_density * target_density(crops.keypoints, config.label_sigma).flatten(2)).sum(-1)
    density = log_density.exp().view_as(heatmap)
    columns = torch.arange(WIDTH // STRIDE, device=DEVICE) * STRIDE + CELL_CENTRE
    rows = torch.arange(HEIGHT // STRIDE, device=DEVICE) * STRIDE + CELL_CENTRE
    mean = torch.stack([(density.sum(2) * columns).sum(-1), (density.sum(3) * rows).sum(-1)], -1)
    away = (mean - crops.keypoints).abs().sum(-1) / STRIDE
    position = ((place + EXPECTATION_WEIGHT * away.clamp(max=20)) * weight).sum() / total

    log_sigma, visible_logit = read_under(heatmap.detach(), sigma, visible)
    squared = ((decode(heatmap.detach()) - crops.keypoints) ** 2).sum(-1)
    # Student t in two dimensions, written with its standard deviation per axis; never clamped from above
    unlikely = (TAIL + 2) / 2 * torch.log1p(squared * torch.exp(-2 * log_sigma) / (TAIL - 2)) + 2 * log_sigma
    doubt = (unlikely * inside).sum() / (inside.sum() + 1)
    seeing = functional.binary_cross_entropy_with_logits(visible_logit, seen)
    keep = functional.binary_cross_entropy_with_logits(own_heatmap[:len(teacher_heatmap)], teacher_heatmap.float().sigmoid(), reduction="none").sum((2, 3)).mean()
    loss = position + SIGMA_WEIGHT * doubt + VISIBLE_WEIGHT * seeing + config.distil * keep
    return loss, torch.stack([position, doubt, seeing, keep, (squared.sqrt() * weight).sum() / total]).detach()


def grown(saved, wanted):
    """Older weights with room for keypoints that came later: new rows after the old ones, as the new network begins."""
    def fitted(name, value):
        target = wanted.get(name)
        if target is None or target.shape == value.shape or target.shape[1:] != value.shape[1:]:
            return value
        return torch.cat([value, target[len(value):].to(value.device)])
    return {name: fitted(name, value) for name, value in saved.items()}


def share_gradients(parameters):
    """Mean of the gradients over all GPUs."""
    gradients = [parameter.grad for parameter in parameters if parameter.grad is not None]
    flat = torch._utils._flatten_dense_tensors(gradients)
    distributed.all_reduce(flat)
    flat /= WORLD
    for gradient, mean in zip(gradients, torch._utils._unflatten_dense_tensors(flat, gradients)):
        gradient.copy_(mean)


class Trainer:
    def __init__(self, config):
        self.config, self.began = config, time.time()
        torch.manual_seed(config.seed * 1000 + RANK)
        np.random.seed(config.seed * 1000 + RANK)
        torch.set_float32_matmul_precision("high")
        if WORLD > 1:
            distributed.init_process_group("nccl" if DEVICE == "cuda" else "gloo")
        pictures = np.load(config.backgrounds)["pictures"]
        self.mound_crops = round(config.batch * config.mound)
        kinds = [(False, config.batch - self.mound_crops), (True, self.mound_crops)]
        self.pools = [(LayerPool(Renderer(config.body, pictures, mound=mound), config.pool), count) for mound, count in kinds if count]
        self.held_out = LayerPool(Renderer(config.body, pictures, held_out=True, mound=config.mound > 0.5), 1024) if RANK == 0 else None

        start = torch.load(config.start, map_location="cpu")
        weights = {name: value.float() for name, value in start["weights"].items()}
        self.teacher = GraphNetwork(start["nodes"])
        self.teacher.load(weights)
        self.teacher = self.teacher.to(DEVICE).eval().requires_grad_(False)
        self.network, self.average = (KeypointNetwork(start["nodes"], len(KEYPOINTS)).to(DEVICE) for _ in range(2))
        self.network.backbone.load(weights)
        if config.resume:
            saved = torch.load(config.resume, map_location=DEVICE)
            saved = {name: value.float() if value.is_floating_point() else value for name, value in saved.items()}
            missing, unknown = self.network.load_state_dict(grown(saved, self.network.state_dict()), strict=False)
            if unknown or any(not name.startswith(YOUNGER) for name in missing):
                raise ValueError(f"{config.resume}: missing {missing}, unknown {unknown}")
        if WORLD > 1:
            for value in self.network.state_dict().values():
                distributed.broadcast(value, 0)
        self.average.load_state_dict(self.network.state_dict())
        self.average.eval()
        if DEVICE == "cuda":
            self.network, self.teacher = (net.to(memory_format=torch.channels_last) for net in (self.network, self.teacher))
        self.run_network, self.run_teacher = (torch.compile(net) if config.compile else net for net in (self.network, self.teacher))

        backbone = list(self.network.backbone.parameters())
        own = {id(parameter) for parameter in backbone}
        heads = [parameter for parameter in self.network.parameters() if id(parameter) not in own]
        self.groups = [dict(params=backbone, weight_decay=0.0, share=config.backbone_rate, warm=config.warm),
                       dict(params=[p for p in heads if p.ndim > 1], weight_decay=0.02, share=1.0, warm=150),
                       dict(params=[p for p in heads if p.ndim < 2], weight_decay=0.0, share=1.0, warm=150)]
        self.optimiser = torch.optim.AdamW(self.groups, lr=config.rate, fused=DEVICE == "cuda")
        doubt = {id(parameter) for parameter in self.network.sigma.parameters()}
        self.trunk = [parameter for parameter in self.network.parameters() if id(parameter) not in doubt]

    def log(self, *words):
        if RANK == 0:
            print(f"[{self.config.name} {time.time() - self.began:.0f}s]", *words, flush=True)

    def rate(self, step, progress):
        falling = 0.5 + 0.5 * math.cos(math.pi * min(progress, 1))
        scale = self.config.rate_end + (1 - self.config.rate_end) * falling
        for group in self.optimiser.param_groups:
            group["lr"] = self.config.rate * group["share"] * scale * min(1, (step + 1) / group["warm"]) + 1e-7

    def batch(self):
        """A batch of all pools, the general crops first (they also go through the starting network)."""
        parts = []
        for pool, count in self.pools:
            crops = pool.batch(count)
            parts.append(dataclasses.replace(crops, image=degrade.recorded(crops, pool.renderer.mound)))
        if len(parts) == 1:
            return parts[0]
        return Crops(*[torch.cat([getattr(part, field.name) for part in parts]) for field in dataclasses.fields(Crops)])

    def step(self):
        crops = self.batch()
        image = normalised(crops.image).contiguous(memory_format=torch.channels_last)
        with torch.autocast(DEVICE, dtype=torch.bfloat16, enabled=DEVICE == "cuda"):
            outputs = self.run_network(image)
            with torch.no_grad():
                some = image[:max(1, len(image) // TEACHER_SHARE)].contiguous(memory_format=torch.channels_last)
                teacher_heatmap = self.run_teacher(some)[TEACHER_HEATMAP]
        loss, parts = losses(outputs, teacher_heatmap, crops, self.config)
        self.optimiser.zero_grad(set_to_none=True)
        loss.backward()
        if WORLD > 1:
            share_gradients(list(self.network.parameters()))
        nn.utils.clip_grad_norm_(self.trunk, 5.0)
        nn.utils.clip_grad_norm_(self.network.sigma.parameters(), 1.0)
        self.optimiser.step()
        return parts

    def update_average(self, step):
        keep = self.config.average if self.config.resume else min(self.config.average, 1 - 1 / (step + 1))
        pairs = list(zip(self.average.state_dict().values(), self.network.state_dict().values()))
        real = [pair for pair in pairs if pair[0].is_floating_point()]
        torch._foreach_lerp_([mean for mean, _ in real], [value for _, value in real], 1 - keep)
        for count, value in (pair for pair in pairs if not pair[0].is_floating_point()):
            count.copy_(value)

    def stop(self, late, step):
        """Whether time is up, the same answer on every GPU; asked every tenth step."""
        if WORLD == 1:
            return late
        if step % 10:
            return False
        flag = torch.tensor(float(late), device=DEVICE)
        distributed.all_reduce(flag, op=distributed.ReduceOp.MAX)
        return flag.item() > 0

    def train(self):
        config, chunk = self.config, min(128, self.config.batch)
        for pool, _ in self.pools:
            for _ in range(8 if DEVICE == "cuda" else 1):
                pool.add(chunk)
        self.log("set up;", f"{sum(p.numel() for p in self.network.parameters()) / 1e6:.2f} M parameters")
        began, step, seen, sums, noted = time.time(), 0, 0, torch.zeros(5, device=DEVICE), 0
        due, next_check, next_save = [0.0 for _ in self.pools], 60.0, config.checkpoint or math.inf
        while not self.stop(time.time() - began > config.seconds, step):
            for index, (pool, count) in enumerate(self.pools):
                due[index] += count / config.reuse
                while due[index] >= chunk:
                    pool.add(chunk)
                    due[index] -= chunk
            self.rate(step, (time.time() - began) / config.seconds)
            sums += self.step()
            with torch.no_grad():
                self.update_average(step)
            if step == 9:
                rate_from, rate_seen = time.time(), seen
            step += 1
            seen += config.batch * WORLD
            if step in (20, 100, 200) or step % 500 == 0:
                parts = [round(value, 3) for value in (sums / (step - noted)).tolist()]
                speed = (seen - rate_seen) / max(time.time() - rate_from, 1e-3)
                self.log(f"step {step}, {seen / 1e6:.2f} M crops, {speed:.0f}/s, position/doubt/visible/kept/px {parts}, rate {self.optimiser.param_groups[1]['lr']:.1e}")
                sums.zero_()
                noted = step
            if RANK == 0 and time.time() - began > next_check:
                next_check += 120
                self.log("held out", summary(self.measure_held_out(512)))
            if RANK == 0 and time.time() - began > next_save:
                self.save_weights(f"{config.name}-{next_save:.0f}s")
                next_save += config.checkpoint
        self.log(f"done: {step} steps, {seen / 1e6:.2f} M crops, {time.time() - began:.0f} s")
        return dict(steps=step, crops=seen, seconds=time.time() - began)

    def measure_held_out(self, count):
        """Figures on people, backgrounds and cloth never trained on; the same crops at every call."""
        if self.held_out.filled == 0:
            for _ in range(8 if DEVICE == "cuda" else 1):
                self.held_out.add(128 if DEVICE == "cuda" else 16)
        state, numpy_state = torch.get_rng_state(), np.random.get_state()
        gpu_state = torch.cuda.get_rng_state() if DEVICE == "cuda" else None
        torch.manual_seed(99)
        np.random.seed(99)
        result = measure(self.average, self.held_out, count)
        torch.set_rng_state(state)
        np.random.set_state(numpy_state)
        if gpu_state is not None:
            torch.cuda.set_rng_state(gpu_state)
        return result

    def save_weights(self, name):
        weights = {name: value.half() if value.is_floating_point() else value for name, value in self.average.state_dict().items()}
        torch.save(weights, f"{self.config.out}/{name}.pt")

    def save(self, figures):
        config, folder = self.config, self.config.out
        self.save_weights(config.name)
        crops = self.pools[-1][0].batch(48)
        contact_sheet(degrade.recorded(crops, self.pools[-1][0].renderer.mound), crops, f"{folder}/{config.name}.png")
        json.dump(dict(settings=vars(config), gpus=WORLD, **figures), open(f"{folder}/{config.name}.json", "w"), indent=1)


def main():
    trainer = Trainer(settings())
    figures = trainer.train()
    if RANK == 0:
        result = trainer.measure_held_out(trainer.config.held_out)
        trainer.log("held out, end", summary(result))
        trainer.save(dict(figures, held_out=result))


if __name__ == "__main__":
    main()
