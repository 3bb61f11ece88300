"""How far the fit can be believed: what it leaves over, left-out days, the tacks, and which days carry the borders."""
