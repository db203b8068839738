// The table of kernels of this library and what it was built from.
#include "forms.h"

#ifndef TILEPIPE_TEXT_HASH
#define TILEPIPE_TEXT_HASH "unknown"
#endif
#ifndef TILEPIPE_VARIANT
#define TILEPIPE_VARIANT "unknown"
#endif

static const Entry*& head() {   // a function's static: registration may run before this file's own initialisers
    static const Entry* first = nullptr;
    return first;
}

extern "C" {
const Entry* tilepipe_register(Entry* entry) {
    for (const Entry* e = head(); e; e = e->next)
        if (!std::strcmp(e->name, entry->name)) return e;
    entry->next = head();
    return head() = entry;
}
const Entry* tilepipe_kernels() { return head(); }
const char* tilepipe_text_hash() { return TILEPIPE_TEXT_HASH; }
const char* tilepipe_variant() { return TILEPIPE_VARIANT; }

// What the calling thread's floating-point environment does: 1 flushes subnormals, 2 rounds otherwise than to nearest.
int tilepipe_environment_faults() {
    volatile float smallest = 1.401298464e-45f, one = 1.0f, tiny = 5.9604645e-8f;
    volatile float kept = smallest * one, up = one + tiny, down = -one - tiny;
    return (kept == 0.0f ? 1 : 0) | (up != 1.0f || down != -1.0f ? 2 : 0);
}
}
