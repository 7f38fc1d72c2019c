"""Changes what a picture looks like but not what is in it, so that a model trained on renders crosses to photos.

All functions take and give (B, 3, H, W) pictures of 0..255 on any device and draw their own random numbers per picture.
"""

from collections.abc import Callable

import torch
from torch import Tensor
from torch.nn import functional

GRAY = (0.299, 0.587, 0.114)


def recolored(pictures: Tensor, classes: Tensor, backgrounds: Tensor) -> tuple[Tensor, Tensor]:
    """The whole chain: surfaces, background, style, light, lens, sensor, compression.

    Args:
        pictures: (B, 3, H, W); classes: (B, H, W) part classes, 0 is background.
        backgrounds: (B, 3, H, W) pictures without pumps, one each.

    Returns:
        The pictures, and (B,) whose surfaces were repainted: what those are made of can no longer be seen.
    """
    pictures, repainted = repaint_parts(pictures, classes, 0.3)
    pictures = on_some(0.25, exchange_background, pictures, classes, backgrounds)
    pictures = on_some(0.15, borrow_style, pictures, backgrounds)
    pictures = relight(pictures)
    pictures = on_some(0.35, blur, pictures)
    pictures = on_some(0.5, noise, pictures)
    pictures = on_some(0.5, compress, pictures)
    return pictures.clamp(0, 255), repainted


def on_some(share: float, change: Callable[..., Tensor], pictures: Tensor, *others: Tensor) -> Tensor:
    """Change a random share of the pictures; no work is spent on the rest.

    Args:
        share: of the pictures, rounded up or down by chance.
        change: takes pictures and what else belongs to them, gives pictures.
        pictures, others: (B, ...).
    """
    count = int(share * len(pictures) + float(torch.rand(())))
    if not count:
        return pictures
    which = torch.randperm(len(pictures), device=pictures.device)[:count]
    return pictures.index_copy(0, which, change(pictures[which], *(other[which] for other in others)))


def chance(pictures: Tensor, probability: float) -> Tensor:
    """(B, 1, 1, 1) true for a random part of the pictures."""
    return torch.rand(len(pictures), 1, 1, 1, device=pictures.device) < probability


def uniform(pictures: Tensor, low: float, high: float, channels: int = 1) -> Tensor:
    """(B, channels, 1, 1) uniform numbers."""
    return torch.rand(len(pictures), channels, 1, 1, device=pictures.device) * (high - low) + low


def repaint_parts(pictures: Tensor, classes: Tensor, probability: float) -> tuple[Tensor, Tensor]:
    """Give every part class of some pictures its own random gain per color, as if it were another paint.

    Returns:
        The pictures, and (B,) which were repainted.
    """
    count = int(classes.max()) + 1
    gains = torch.exp(torch.randn(len(pictures), count, 3, device=pictures.device) * 0.35)
    gains = gains * torch.exp(torch.randn(len(pictures), count, 1, device=pictures.device) * 0.35)
    keep = torch.rand(len(pictures), count, 1, device=pictures.device) < 0.5
    gains = torch.where(keep, 1.0, gains)
    flat = classes.flatten(1)[..., None].expand(-1, -1, 3)
    gain = torch.gather(gains, 1, flat).transpose(1, 2).reshape(pictures.shape)
    chosen = chance(pictures, probability)
    return torch.where(chosen, (pictures * gain).clamp(0, 255), pictures), chosen.flatten()


def exchange_background(pictures: Tensor, classes: Tensor, backgrounds: Tensor) -> Tensor:
    """Put pumps before another background, with a soft seam."""
    pump = (classes > 0).float()[:, None]
    soft = functional.avg_pool2d(pump, 3, 1, 1)
    return soft * pictures + (1 - soft) * backgrounds


def borrow_style(pictures: Tensor, others: Tensor, band: int = 6) -> Tensor:
    """Mix the slowest waves' amplitudes with another picture's (Yang & Soatto 2020, arXiv 2004.05498)."""
    mine, theirs = torch.fft.rfft2(pictures), torch.fft.rfft2(others)
    amplitude, phase = mine.abs(), mine.angle()
    share = uniform(pictures, 0.2, 0.8)
    for rows in (slice(0, band), slice(-band, None)):
        mixed = (1 - share) * amplitude[:, :, rows, :band] + share * theirs.abs()[:, :, rows, :band]
        amplitude[:, :, rows, :band] = mixed
    # The mean stays: brightness is varied elsewhere.
    amplitude[:, :, 0, 0] = mine.abs()[:, :, 0, 0]
    return torch.fft.irfft2(torch.polar(amplitude, phase), s=pictures.shape[-2:]).clamp(0, 255)


def relight(pictures: Tensor) -> Tensor:
    """Exposure, contrast, tone curve, color cast, saturation, gray, a gradient of light across the picture."""
    x = pictures / 255.0
    x = x.clamp(min=1e-4) ** torch.exp(uniform(x, -0.45, 0.45))
    x = x * torch.exp(uniform(x, -0.5, 0.35)) * torch.exp(uniform(x, -0.16, 0.16, 3))
    middle = x.mean(dim=(1, 2, 3), keepdim=True)
    x = middle + (x - middle) * torch.exp(uniform(x, -0.35, 0.35))
    gray = sum(w * x[:, k : k + 1] for k, w in enumerate(GRAY))
    saturation = torch.where(chance(x, 0.08), torch.zeros_like(middle), torch.exp(uniform(x, -0.7, 0.45)))
    x = gray + (x - gray) * saturation
    height, width = x.shape[-2:]
    across = torch.linspace(-1, 1, width, device=x.device)[None, None, None]
    down = torch.linspace(-1, 1, height, device=x.device)[None, None, :, None]
    x = x * torch.exp(uniform(x, -0.25, 0.25) * across + uniform(x, -0.25, 0.25) * down)
    return (x * 255.0).clamp(0, 255)


def blur(pictures: Tensor) -> Tensor:
    """Defocus or shake: a Gaussian of another width along and across, or a smaller picture enlarged again."""
    along, across = torch.exp(uniform(pictures, -1.0, 0.9)), torch.exp(uniform(pictures, -1.0, 0.9))
    reach = torch.arange(-6, 7, device=pictures.device, dtype=pictures.dtype)
    out = pictures
    for sigma, horizontal in ((along, True), (across, False)):
        kernel = torch.exp(-0.5 * (reach / sigma.reshape(-1, 1)) ** 2)
        kernel = (kernel / kernel.sum(dim=1, keepdim=True)).repeat_interleave(3, 0)
        shape = (-1, 1, 1, 13) if horizontal else (-1, 1, 13, 1)
        flat = out.reshape(1, -1, *out.shape[-2:])
        padding = (0, 6) if horizontal else (6, 0)
        out = functional.conv2d(flat, kernel.reshape(shape), padding=padding, groups=flat.shape[1]).reshape(out.shape)
    return out


def noise(pictures: Tensor) -> Tensor:
    """Sensor noise that grows with the light, partly soft as after a phone's own filter."""
    strength = torch.exp(uniform(pictures, 0.0, 3.0))
    grain = torch.randn_like(pictures)
    grain = torch.where(chance(pictures, 0.4), 2.2 * functional.avg_pool2d(grain, 3, 1, 1), grain)
    noisy = pictures + grain * strength * (0.4 + 0.6 * (pictures / 255.0).clamp(0, 1).sqrt())
    return noisy.clamp(0, 255)


def compress(pictures: Tensor) -> Tensor:
    """JPEG's loss: 8 x 8 cosine transform and quantization (ITU-T T.81, tables of its annex K), quality 25 to 90."""
    height, width = pictures.shape[-2:]
    basis = _cosines(pictures)
    quality = uniform(pictures, 25.0, 90.0)
    factor = torch.where(quality < 50, 50.0 / quality, 2.0 - quality / 50.0)
    to_ycc = pictures.new_tensor([[0.299, 0.587, 0.114], [-0.1687, -0.3313, 0.5], [0.5, -0.4187, -0.0813]])
    ycc = torch.einsum("ij,bjhw->bihw", to_ycc, pictures)
    ycc = torch.cat([ycc[:, :1] - 128, ycc[:, 1:]], 1)
    blocks = ycc.reshape(len(ycc), 3, height // 8, 8, width // 8, 8).permute(0, 1, 2, 4, 3, 5)
    waves = basis @ blocks @ basis.T
    tables = torch.stack([pictures.new_tensor(t) for t in (LUMINANCE, CHROMINANCE, CHROMINANCE)])[None, :, None, None]
    steps = (tables * factor[..., None, None]).clamp(min=1.0)
    kept = torch.round(waves / steps) * steps
    blocks = basis.T @ kept @ basis
    ycc = blocks.permute(0, 1, 2, 4, 3, 5).reshape(pictures.shape)
    ycc = torch.cat([ycc[:, :1] + 128, ycc[:, 1:]], 1)
    back = torch.einsum("ij,bjhw->bihw", torch.linalg.inv(to_ycc), ycc)
    return back.clamp(0, 255)


def _cosines(like: Tensor) -> Tensor:
    k, n = torch.meshgrid(torch.arange(8.0), torch.arange(8.0), indexing="ij")
    basis = torch.cos((2 * n + 1) * k * torch.pi / 16) * 0.5
    basis[0] *= 0.5**0.5
    return basis.to(like)


LUMINANCE = [
    [16, 11, 10, 16, 24, 40, 51, 61], [12, 12, 14, 19, 26, 58, 60, 55], [14, 13, 16, 24, 40, 57, 69, 56],
    [14, 17, 22, 29, 51, 87, 80, 62], [18, 22, 37, 56, 68, 109, 103, 77], [24, 35, 55, 64, 81, 104, 113, 92],
    [49, 64, 78, 87, 103, 121, 120, 101], [72, 92, 95, 98, 112, 100, 103, 99],
]  # fmt: skip
CHROMINANCE = [
    [17, 18, 24, 47, 99, 99, 99, 99], [18, 21, 26, 66, 99, 99, 99, 99], [24, 26, 56, 99, 99, 99, 99, 99],
    [47, 66, 99, 99, 99, 99, 99, 99], *[[99] * 8] * 4,
]  # fmt: skip
