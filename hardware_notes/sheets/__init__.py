"""The drawings of the hardware notes, one module per subject; `draw.py` beside this folder writes them."""
