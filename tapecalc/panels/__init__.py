"""What-if panels: what they reckon and draw, in the page and in a notebook alike."""
