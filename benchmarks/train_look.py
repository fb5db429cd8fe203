"""The second look of `negconv.spots`: candidates of many dirty negatives, and a net fitted to them.

`train_spots.py` runs it. Fitting needs PyTorch (2.13, on the processor; no part of negconv and not among its needs), which
works out the slopes of the loss in all of the seventy thousand weights; what it leaves is used by numpy alone.
"""
from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np

import spot_scenes
from negconv.spots import channels, company, features, find, look, noise
from negconv.synthetic.dirt import make_dirt

#: Frames of each photograph from a file, of each at hand, and of each invented scene. Their seeds start where no tree has
#: seen them.
FRAMES, FIRST_SEED = {"file": 18, "photo": 14, "": 9}, 5000
#: Pieces of dirt on a million pixels; and on the share of frames, larger ones, where dirt is as rare as on a frame of many
#: megapixels: there what passes for dirt is mostly picture, and nothing must be measured against it.
MUCH, RARE, FEW = (12, 150), (2, 20), 0.4
#: Candidates from this confidence among others on are learnt from.
LEARNT = 0.03
#: Of an outline with less than the first share on dirt the picture is the larger part; from the second on it is dirt.
NEITHER = (0.55, 0.65)
#: Share of the candidates that do not speak for a place that is learnt from.
OTHERS = 0.5
#: Outputs of the convolutions of both towers, and of the layers behind them.
FINE, WIDE, LAYER, BOTH = (16, 24, 32), (12, 16, 24), 48, 32
#: Rows a step, decay, share of what is left out, and spread of contrast added at random.
ROWS, DECAY, DROP, UNEVEN = 512, 1e-4, 0.2, 0.1
#: Epochs, the greatest step, and the spread added to the features.
EPOCHS, FASTEST, BLURRED = 7, 3e-3, 0.1


def names(photographs=None) -> list[str]:
    """Photographs in a folder, as scenes."""
    return [f"file:{p}" for p in sorted(Path(photographs).iterdir())] if photographs else []


def seeds(name: str) -> range:
    """Of the frames of a scene."""
    return range(FIRST_SEED, FIRST_SEED + FRAMES.get(name.partition(":")[0], FRAMES[""]))


def drawn(shape, rng, soft, much=MUCH):
    """Dirt, hairs and all, down to the faintest."""
    count = spot_scenes.amount(shape, rng, much)
    return make_dirt(shape, rng, specks=count, fibres=int(rng.integers(much == MUCH, 5 + count / 10)),
                     scratches=int(rng.integers(0, 3)) if much == MUCH else 0, size=float(np.exp(rng.uniform(np.log(4.0), np.log(12)))),
                     depth=(0.2, 1.0), soft=soft)


def gather(name: str, seed: int, outlines=None) -> dict[str, np.ndarray]:
    """Candidates of one frame that the trees in use hear: what is known of each, whether it is dirt, and its cuts."""
    rng = np.random.default_rng([seed, sum(map(ord, name)), 99])
    few = bool(rng.random() < FEW)
    shape = tuple(int(rng.integers(*side) * (1.5 if few else 1)) for side in ((420, 760), (520, 1000)))
    real = bool(rng.random() < 0.5) and outlines is not None
    dirt = partial(spot_scenes.outlined(outlines, 0.3) if real else drawn, much=RARE if few else MUCH)
    s = spot_scenes.sample(name, seed, shape, dirt=dirt, only=True)
    linear, density, _ = find._parts(s.positive, None)
    plane = noise.film_plane(linear, density, threads=1)
    found = find._search(plane, channels.Channels.of(s.positive), features.Frame(plane), True, 1)
    found = [f for f in found if f.known is not None and len(f.confidence)]
    if not found:
        return {}
    index, owner, confidence, contrast, _ = find.together(found)
    known, count = np.concatenate([f.known for f in found]), len(confidence)
    columns, alone = find.among_others(index, owner, confidence, contrast, shape, known, found[0].peers)
    truth = _grown(np.isin(s.dirt.labels, [d.label for d in s.dirt.defects if d.light]), 2)
    area = np.maximum(np.bincount(owner, minlength=count), 1)
    scale = np.concatenate([np.full(len(f.confidence), f.scale) for f in found])
    y, x = look.centres(index, owner, count, shape[1])
    right, inside = (np.bincount(owner, v.reshape(-1)[index], count) / area for v in (truth, plane))
    out = {"known": known, "cols": columns, "conf": confidence, "alone": alone, "contrast": contrast, "scale": scale,
           "right": right, "inside": inside}
    for k, coarser in ((1, 1), (4, look.COARSER)):
        density, cover = look.cuts(look.pyramid(plane, look.COARSEST), index, owner, y, x, scale, coarser)
        out |= {f"d{k}": density, f"c{k}": np.minimum(np.rint(cover * 255), 255).astype(np.uint8)}
    return out


def _grown(mask: np.ndarray, by: int) -> np.ndarray:
    from scipy import ndimage

    return ndimage.binary_dilation(mask, iterations=by)


def kept(file, name: str, seed: int, outlines=None) -> dict[str, np.ndarray]:
    """`gather`, or what it left in a file."""
    if not Path(file).exists():
        np.savez(file, **gather(name, seed, outlines))
    with np.load(file) as data:
        return {k: data[k] for k in ("known", "cols", "conf", "alone", "contrast", "scale", "right", "inside",
                                     "d1", "c1", "d4", "c4") if k in data}


def together(frames) -> dict[str, np.ndarray]:
    """The candidates of many frames as one list."""
    frames = [f for f in frames if f]
    return {k: np.concatenate([f[k] for f in frames]) for k in frames[0]}


def fit(rows: dict[str, np.ndarray], among: np.ndarray, *, seed: int = 0) -> dict[str, np.ndarray]:
    """The numbers of the net: what `look.net` reads.

    Parameters
    ----------
    rows : dict
        As `together` returns them.
    among : array (n,)
        Confidence of each by the trees that see it among the others.
    """
    try:
        import torch
    except ImportError:
        raise SystemExit("fitting the net needs PyTorch: pip install torch") from None
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    right = rows["right"]
    used = np.flatnonzero((rows["conf"] > 0) & (among >= LEARNT) & ~((right >= NEITHER[0]) & (right < NEITHER[1]))
                          & (rows["alone"] | (rng.random(len(right)) < OTHERS)))
    values = np.concatenate([rows["known"], rows["cols"]], axis=1)
    middle, spread = np.nanmean(values, axis=0), np.nanstd(values, axis=0) + 1e-3
    values = torch.from_numpy(look.normal(values[used], middle, spread))
    target = torch.from_numpy((right[used] >= NEITHER[1]).astype(np.float32))
    cuts = [_cuts(rows, used, k) for k in (1, 4)]
    net, loss = _net(torch, values.shape[1]), torch.nn.BCEWithLogitsLoss()
    change = torch.optim.AdamW(net.parameters(), lr=FASTEST, weight_decay=DECAY)
    rate = torch.optim.lr_scheduler.OneCycleLR(change, FASTEST, total_steps=EPOCHS * (len(used) // ROWS) + 1, pct_start=0.15)
    for epoch in range(EPOCHS):
        order, lost = rng.permutation(len(used)), 0.0
        for a in range(0, len(order) - ROWS + 1, ROWS):
            b = torch.from_numpy(order[a:a + ROWS])
            fine, wide = (cut[b].float() for cut in cuts)
            gain, k = torch.exp(UNEVEN * torch.randn(ROWS, 1, 1, 1)), int(rng.integers(8))
            fine[:, :2] *= gain
            wide[:, :2] *= gain
            seen = (torch.rot90(x.flip(3) if k & 4 else x, k & 3, (2, 3)) for x in (fine, wide))
            each = loss(net(*seen, values[b] + BLURRED * torch.randn(ROWS, values.shape[1])), target[b])
            change.zero_grad()
            each.backward()
            change.step()
            rate.step()
            lost += each.item() * ROWS / len(order)
        print(f"epoch {epoch}: {lost:.4f}", flush=True)
    return _plain({k: v.numpy() for k, v in net.state_dict().items()}) | {
        "middle": middle.astype(np.float32), "spread": spread.astype(np.float32),
        "features": np.array(features.NAMES + company.COMPANY)}


def _cuts(rows, used, k):
    """What the net sees, as `look.seen` makes it, channels first."""
    import torch

    contrast = rows["contrast"] * noise.STEPS
    grain = contrast / np.exp(rows["known"][:, features.NAMES.index("contrast/grain")])
    out = torch.empty((len(used), 3, look.SIDE, look.SIDE), dtype=torch.float16)
    for a in range(0, len(used), 2048):
        b = used[a:a + 2048]
        x = look.in_units(rows[f"d{k}"][b], rows[f"c{k}"][b].astype(np.float32) / 255, rows["inside"][b], contrast[b],
                          grain[b])
        out[a:a + 2048] = torch.from_numpy(np.ascontiguousarray(x.transpose(0, 3, 1, 2)))
    return out


def _net(torch, values: int):
    """`look.Net` as it is fitted."""
    nn = torch.nn

    def tower(sizes):
        a, b, c = sizes
        return nn.Sequential(nn.Conv2d(3, a, 5, stride=2, padding=2), nn.ReLU(),
                             nn.Conv2d(a, b, 3, padding=1), nn.ReLU(), nn.MaxPool2d(2),
                             nn.Conv2d(b, c, 3, padding=1), nn.ReLU(), nn.MaxPool2d(2), nn.Flatten())

    class Net(nn.Module):
        def __init__(self):
            super().__init__()
            self.fine, self.wide, self.drop = tower(FINE), tower(WIDE), nn.Dropout(DROP)
            places = (look.SIDE // 8) ** 2
            self.picture = nn.Linear(places * (FINE[2] + WIDE[2]), LAYER)
            self.features = nn.Linear(values, LAYER)
            self.both, self.last = nn.Linear(2 * LAYER, BOTH), nn.Linear(BOTH, 1)

        def forward(self, fine, wide, x):
            seen = torch.relu(self.picture(self.drop(torch.cat([self.fine(fine), self.wide(wide)], 1))))
            x = torch.relu(self.both(self.drop(torch.cat([seen, torch.relu(self.features(x))], 1))))
            return self.last(x)[:, 0]

    return Net()


def _plain(state) -> dict[str, np.ndarray]:
    """Kernels as `look.Net` keeps them: inputs by row, column, channel."""
    out = {}
    places = look.SIDE // 8
    for name in look.LAYERS:
        tower, _, number = name.partition(" ")
        layer = f"{tower}.{(0, 2, 5)[int(number) - 1]}" if number else tower
        kernel, add = state[f"{layer}.weight"], state[f"{layer}.bias"]
        if number:
            kernel = kernel.transpose(2, 3, 1, 0).reshape(-1, len(kernel))
        elif name == "picture":
            parts = np.split(kernel, [places ** 2 * FINE[2]], axis=1)
            parts = [p.reshape(len(p), -1, places, places).transpose(2, 3, 1, 0).reshape(-1, len(p)) for p in parts]
            kernel = np.concatenate(parts)
        else:
            kernel = kernel.T
        out |= {f"{name}, kernel": kernel.astype(np.float16), f"{name}, add": add.astype(np.float16)}
    return out
