"""A stranger's cylinder: twenty mixed layers, no import from the product, JSON lines in and out."""

import json
import sys

LAYERS = 20
KWH_PER_L_K = 1.16e-3


def step(t, layer_l, loss_w_per_k, element_layer, push, seconds):
    """One short step: draw upwards, plate charge downwards, element, loss, overturning."""
    cold, ambient = push["cold_c"], push["ambient_c"]
    drawn = push["top_l_per_min"] * seconds / 60
    out_kwh = drawn * KWH_PER_L_K * (t[-1] - cold)
    share = drawn / layer_l
    for i in range(LAYERS - 1, -1, -1):
        below = t[i - 1] if i else cold
        t[i] += share * (below - t[i])
    pump = element = 0.0
    if push["plate_w"] > 0 and push["plate_c"] > t[0]:
        kwh = push["plate_w"] * seconds / 3.6e6
        moved = kwh / (KWH_PER_L_K * (push["plate_c"] - t[0]))
        moved = min(moved, 0.9 * layer_l)
        pump = moved * KWH_PER_L_K * (push["plate_c"] - t[0])
        share = moved / layer_l
        for i in range(LAYERS):
            above = t[i + 1] if i < LAYERS - 1 else push["plate_c"]
            t[i] += share * (above - t[i])
    if push["element_w"] > 0:
        i = element_layer
        if t[i] < push["element_stop_c"]:
            element = push["element_w"] * seconds / 3.6e6
            t[i] += element / (layer_l * KWH_PER_L_K)
    for i in range(LAYERS):
        t[i] -= loss_w_per_k / LAYERS * (t[i] - ambient) * seconds / 3.6e6 / (layer_l * KWH_PER_L_K)
    # warm below cold: mix from the bottom up until nothing is unstable
    blocks = []
    for value in t:
        blocks.append([value, 1])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            value_b, n = blocks.pop()
            value_a, m = blocks.pop()
            blocks.append([(value_a * m + value_b * n) / (m + n), m + n])
    t[:] = [value for value, n in blocks for _ in range(n)]
    return out_kwh, pump, element


def main():
    """Answer each line with one line."""
    t, built = [], {}
    out_c = 0.0
    for line in sys.stdin:
        message = json.loads(line)
        kwh = pump = element = 0.0
        if "start" in message:
            built = message["start"]
            profile = built["profile_c"]
            t = [profile[min(i * len(profile) // LAYERS, len(profile) - 1)] for i in range(LAYERS)]
            out_c = t[-1]
        else:
            push = message["push"]
            left = push["seconds"]
            out_c = t[-1]
            while left > 1e-9:
                now = min(left, 30.0)
                more, more_pump, more_element = step(
                    t,
                    built["volume_l"] / LAYERS,
                    built["loss_w_per_k"],
                    int(built["element_m"] / built["height_m"] * LAYERS),
                    push,
                    now,
                )
                kwh, pump, element = kwh + more, pump + more_pump, element + more_element
                left -= now
        layer_m = built["height_m"] / LAYERS
        at = [t[min(int(h / layer_m), LAYERS - 1)] for h in built["heights_m"]]
        stored = sum(t) * built["volume_l"] / LAYERS * KWH_PER_L_K
        answer = {
            "at_c": at,
            "outlet_c": out_c,
            "drawn_kwh": kwh,
            "heat_pump_kwh": pump,
            "element_kwh": element,
            "stored_kwh": stored,
        }
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
