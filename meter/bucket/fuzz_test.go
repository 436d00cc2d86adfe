package bucket

import (
	"errors"
	"testing"

	"yardtally/meter/act"
	"yardtally/meter/ledger"
)

// What stands in the address of a proving's page may be anything: it is read back
// as it was written, or its field is named, and no count comes of flow that is not there.
func FuzzAddress(f *testing.F) {
	for _, s := range []string{"", "1.1.1000", "1.1000.1000", "1.1000.1001", "1.1100.1400", "-1", "1.2", "1..", "1.18446744073709551615.0", "1.0.18446744073709551615"} {
		f.Add(s)
	}
	v := &ledger.View{At: 90e9, Fills: []ledger.Fill{{Session: 1, First: 1000, Last: 1400, Start: 10e9, End: 20e9}, {Session: 1, First: 1400, Last: 1500, Start: 40e9, End: 45e9, Open: true}},
		Loose: []ledger.Loose{{Session: 2, First: 0, Last: 7, Start: 60e9, End: 61e9}}}
	f.Fuzz(func(t *testing.T, text string) {
		m, err := ParseMark(text)
		if err == nil {
			again, err := ParseMark(m.String())
			if err != nil || again != m {
				t.Errorf("%q is %+v, and %q is %+v, %v", text, m, m, again, err)
			}
			if c, err := m.Since(v); err == nil && !(c.Pulses >= 0) {
				t.Errorf("since %q there are %v pulses", text, c.Pulses)
			}
		}
		c, err2 := Between(v, text)
		if err2 == nil && (c.Pulses != float64(c.Last-c.First) || c.Pulses <= 0 || !(c.Seconds >= 0) || c.Counts() == "") {
			t.Errorf("%q counts %+v", text, c)
		}
		for _, err := range []error{err, err2} {
			if fe := (*act.FieldError)(nil); err != nil && (!errors.As(err, &fe) || fe.Field == "" || fe.Rule == "") {
				t.Errorf("%q: %v names no field", text, err)
			}
		}
	})
}
