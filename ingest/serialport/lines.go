package serialport

// MaxLine is the longest line kept, in bytes without its end. NMEA 0183 allows
// 82 characters; the bound is for a line that never ends.
const MaxLine = 4096

// splitter cuts a stream of bytes into lines. Unlike bufio's, it keeps half a
// line through any silence, and forgets a line that is too long without
// forgetting the one after it.
type splitter struct {
	buf  []byte
	long int // bytes of the over-long line passed so far; 0: none
}

// feed takes bytes as they come. It calls line with each whole line, without
// its CR and LF, and tooLong with the length of each that was over MaxLine.
// Empty lines are skipped. The slice is line's only until it returns.
func (s *splitter) feed(p []byte, line func([]byte) error, tooLong func(length int)) error {
	for _, c := range p {
		switch {
		case c == '\n':
			whole := s.buf
			s.buf = s.buf[:0]
			if s.long > 0 {
				tooLong(s.long)
				s.long = 0
				continue
			}
			if n := len(whole); n > 0 && whole[n-1] == '\r' {
				whole = whole[:n-1]
			}
			if len(whole) == 0 {
				continue
			}
			if err := line(whole); err != nil {
				return err
			}
		case s.long > 0:
			s.long++
		case len(s.buf) > MaxLine: // one more than MaxLine is room for the CR
			s.long = len(s.buf) + 1
			s.buf = s.buf[:0]
		default:
			s.buf = append(s.buf, c)
		}
	}
	return nil
}
