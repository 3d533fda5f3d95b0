"""From a take to a print beside the dry file: whole or not at all."""

from printq.deliver.metadata import add_loudness, make_broadcast
from printq.deliver.naming import choose_version, print_path, sidecar_path, staged_path, take_path
from printq.deliver.order import PrintOrder
from printq.deliver.render import render_print
from printq.deliver.sidecar import encode_sidecar, make_sidecar
from printq.deliver.trim import TrimHistory, choose_trim

__all__ = [
    "PrintOrder",
    "TrimHistory",
    "add_loudness",
    "choose_trim",
    "choose_version",
    "encode_sidecar",
    "make_broadcast",
    "make_sidecar",
    "print_path",
    "render_print",
    "sidecar_path",
    "staged_path",
    "take_path",
]
