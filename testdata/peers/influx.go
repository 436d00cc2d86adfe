package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// influx is an InfluxDB 1.8 that runs already, its database "yard": a point for
// each message, a field for each channel. It syncs its log before it answers.
type influx struct {
	url string
	buf []byte
}

func (s *influx) put(rows []row) error {
	s.buf = s.buf[:0]
	for i := range rows {
		r := &rows[i]
		if i > 0 && r.at == rows[i-1].at && r.rig == rows[i-1].rig && r.source == rows[i-1].source {
			s.buf = append(s.buf, ',')
		} else {
			if i > 0 {
				s.end(rows[i-1].at)
			}
			s.buf = fmt.Appendf(s.buf, "reading,rig=%d,source=%d ", r.rig, r.source)
		}
		s.buf = append(s.buf, 'c')
		s.buf = strconv.AppendUint(s.buf, uint64(r.channel), 10)
		s.buf = append(s.buf, '=')
		s.buf = strconv.AppendFloat(s.buf, r.value, 'f', -1, 64)
	}
	s.end(rows[len(rows)-1].at)
	a, err := http.Post(s.url+"/write?db=yard", "text/plain", bytes.NewReader(s.buf))
	if err != nil {
		return err
	}
	defer a.Body.Close()
	if a.StatusCode != http.StatusNoContent {
		said, _ := io.ReadAll(a.Body)
		return fmt.Errorf("write: %s: %s", a.Status, said)
	}
	return nil
}

func (s *influx) end(at int64) {
	s.buf = append(s.buf, ' ')
	s.buf = strconv.AppendInt(s.buf, at, 10)
	s.buf = append(s.buf, '\n')
}

func (s *influx) flush() error { return nil }

// read asks for every series in turn, as CSV, and parses it.
func (s *influx) read() (n int, sum float64, err error) {
	q := url.Values{"db": {"yard"}, "q": {"SELECT * FROM reading"}, "epoch": {"ns"}, "chunked": {"true"}, "chunk_size": {"10000"}}
	req, err := http.NewRequest(http.MethodGet, s.url+"/query?"+q.Encode(), nil)
	if err != nil {
		return 0, 0, err
	}
	req.Header.Set("Accept", "application/csv")
	a, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, 0, err
	}
	defer a.Body.Close()
	if a.StatusCode != http.StatusOK {
		return 0, 0, errors.New("query: " + a.Status)
	}
	in := csv.NewReader(a.Body)
	in.ReuseRecord = true
	in.FieldsPerRecord = -1
	var fields []int // columns that hold a channel
	for {
		rec, err := in.Read()
		if err == io.EOF {
			return n, sum, nil
		}
		if err != nil {
			return n, sum, err
		}
		if rec[0] == "name" { // a chunk's head
			fields = fields[:0]
			for i, c := range rec {
				if number, ok := strings.CutPrefix(c, "c"); ok {
					if _, err := strconv.Atoi(number); err == nil {
						fields = append(fields, i)
					}
				}
			}
			continue
		}
		for _, i := range fields {
			if i >= len(rec) || rec[i] == "" {
				continue
			}
			v, err := strconv.ParseFloat(rec[i], 64)
			if err != nil {
				return n, sum, err
			}
			n++
			sum += v
		}
	}
}

func (s *influx) close() error { return nil }
