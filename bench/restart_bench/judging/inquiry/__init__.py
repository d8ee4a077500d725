"""What surveys saw and what people expected: classes, presses, drafts, forecasts. Pure, like the room around it."""
