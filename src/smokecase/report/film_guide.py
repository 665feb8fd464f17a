"""How to film so that the smoke can be measured: the remedies of the doubts, before they arise."""

FILM_GUIDE = """How to film an exhaust so that its smoke can be measured

 1. Put the phone on something firm, about two metres from the tailpipe, and look at the
    plume from the side. Leave room on the side the smoke drifts to.
 2. Choose what lies behind the plume: varied and not moving (brick, gravel, fence), or
    hang the printed backdrop there (smokecase backdrop). A plain wall or the sky cannot
    be measured through.
 3. Have the sun or the brightest sky behind you, never behind the plume.
 4. Tap the plume on the screen so that nothing there is blown out, and lock focus and
    exposure if the phone can. Do not zoom, do not walk.
 5. Start filming three seconds before the key is turned: those smoke-free pictures are
    what the smoke is compared with. Go on for a minute. Keep people out of the view.
 6. Leave the microphone open and say nothing: the sound of the start counts too.
 7. Use the phone's own file, 30 pictures a second or more, not a copy from a messenger.

Safety: exhaust gas is poisonous, film outdoors and stand upwind. Chock the wheels, keep
clear of hot and turning parts, and never stand in the way of a vehicle that may move.
"""
