package settings

import "yardtally/calibrate/quantity"

// What a person may write in a settings file, commands read in the same words.
// Errors are *quantity.ParseError.

// ParseShares reads the parts of a blend's dry solids: "2 sucrose + 1 hfcs-55".
func ParseShares(text string) (map[string]float64, error) { return shares(text) }

// ParseKFactor reads pulses a volume, such as "36 pulses/L", in pulses a litre.
func ParseKFactor(text string) (float64, error) { return kFactor(text) }

// ParseSeconds reads a short time, such as "150 s", in s.
func ParseSeconds(text string) (float64, error) { return seconds(text) }

// ParseKelvins reads a difference of temperatures, such as "2 F", in K.
func ParseKelvins(text string) (float64, error) { return kelvins(text) }

// Brix gives mass percent as it was written: 64, not 64.00000000000001.
func Brix(s quantity.Solids) float64 { return brix(s) }
