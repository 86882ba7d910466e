"""What must be said beside every figure: before a hand goes to the hammer, and how far the figures carry.

Our own words. The first five are common practice, no source; the last two say what the estimates of
leakage and lost performance leave out, and how good they are.
"""

CAUTIONS = (
    "Shut off, isolate and bleed the air to atmosphere before loosening, opening or lifting anything; "
    "lock out the rig and try it.",
    "Energy stays stored in trapped air, springs, tensioned threads and raised loads: release or block it first.",
    "Hammers and their parts are heavy: use lifting gear rated for the load, and keep hands and feet clear.",
    "Wear eye protection; never strike hardened parts together, nor a hardened part with a hard hammer.",
    "Limits and procedures come from the manufacturer's manual. Where this document and the manual, the "
    "local code or a licensed practitioner differ, they decide.",
    "Loss and leakage are estimates from clearances, not a test of the hammer. They cover air starvation "
    "only: not the bit, the rock, feed, back pressure, oil, worn port edges and impact faces, or leakage "
    "between the chambers.",
    "Take the loss as good to about 30 % of itself at best; which fit loses most is firmer. Pressures, "
    "duty and land lengths are guesses until measured, and with compressor margin the rate holds until it "
    "is used up.",
)
