"""The printable page that goes with a card: values in, one self-contained HTML text out."""
