// What a camera's clipped highlights look like after white balance: white, not the colour of the multipliers.
#pragma once
#include "forms.h"

// A colour that clips is only known to be at least that bright. As it nears clipping (0.92 … 0.98, chosen here; `per_clip`
// makes values parts of the clipping level) it is raised towards what would be neutral beside the brightest of the three
// after white balance: so it never falls, and where all three clip the result is neutral. `neutral`: the camera's values for
// grey, `balance`: their inverse. `slope` is 1 / 0.06, or 0 where clipping is neutral anyway: then nothing changes.
FN void raise_clipped(float* v, const float* neutral, const float* balance, float per_clip, float slope) {
    const float most = max_of(max_of(v[0] * balance[0], v[1] * balance[1]), v[2] * balance[2]);
    for (int c = 0; c < 3; c++) {
        const float part = clamp_of((v[c] * per_clip - 0.92f) * slope, 0.0f, 1.0f);
        const float raised = max_of(most * neutral[c], v[c]);
        v[c] = part > 0.0f ? v[c] + part * (raised - v[c]) : v[c];
    }
}
