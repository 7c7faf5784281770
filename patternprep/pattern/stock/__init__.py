"""Machining stock: faces moved out of the material by an exact amount."""

from patternprep.pattern.stock.add import add_stock
from patternprep.pattern.stock.model import FaceCheck, StockResult

__all__ = ["FaceCheck", "StockResult", "add_stock"]
