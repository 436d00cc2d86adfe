package chart

import (
	"testing"
)

// TestPublishedRunLengths: each row of the golden list names its paper, and
// that it was read where it is quoted.
func TestPublishedRunLengths(t *testing.T) {
	tried := map[string]int{}
	for _, r := range golden(t) {
		var got float64
		switch r.property {
		case "arl.cusum_one_sided", "arl.cusum_two_sided":
			in := r.numbers(t)
			length, head := CusumARL, 0.0
			if r.property == "arl.cusum_one_sided" {
				length = CusumOneARL
			}
			if in["head"] != nil {
				head = in["head"][0]
			}
			got = length(in["k"][0], in["h"][0], head, in["shift"][0])
		case "arl.ewma_two_sided":
			in := r.numbers(t)
			got = EwmaFixedARL(in["lambda"][0], in["L"][0], in["shift"][0])
		case "arl.ewma_exact_limits":
			in := r.numbers(t)
			got = EwmaARL(in["lambda"][0], in["L"][0], in["shift"][0])
		default:
			continue
		}
		tried[r.property]++
		near(t, r.property+" "+r.inputs, got, numbers(t, r.expected)[0], r.within(t))
	}
	for property, least := range map[string]int{"arl.cusum_one_sided": 15, "arl.cusum_two_sided": 34, "arl.ewma_two_sided": 72, "arl.ewma_exact_limits": 11} {
		if tried[property] < least {
			t.Errorf("tried %d rows of %s, want %d", tried[property], property, least)
		}
	}
}
