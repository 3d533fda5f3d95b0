"""Pictures as SVG: records in, one self-contained text out, the same bytes every time."""

from printq.pictures.plan_chart import draw_plan
from printq.pictures.saving import save_picture

__all__ = ["draw_plan", "save_picture"]
