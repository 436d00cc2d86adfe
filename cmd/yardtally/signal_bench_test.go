package main

import (
	"bufio"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"yardtally/cmd/yardtally/settings"
	"yardtally/ingest/rigsim"
	"yardtally/meter/act"
)

// BenchmarkSignalMQTT is the delay of a signal where counts come over MQTT.
func BenchmarkSignalMQTT(b *testing.B) { benchSignal(b, "mqtt") }

// BenchmarkSignalSerial is the delay where they come over a serial line.
func BenchmarkSignalSerial(b *testing.B) { benchSignal(b, "serial") }

// benchSignal measures the time from just before the rig writes the message
// that makes a fill full to when a subscriber has the signal, or a command that
// was started has written its line. The daemon commits meanwhile, once a second.
func benchSignal(b *testing.B, wire string) {
	for _, outlet := range []string{"subscriber", "command"} {
		b.Run(outlet, func(b *testing.B) {
			n := playNight(b, rigsim.SmallNight(1))
			set := n.settings(b, b.TempDir())
			for i := range set.Acts {
				if rig, ok := set.Acts[i].Body.(act.Rig); ok {
					rig.FillL = 1
					set.Acts[i].Body = rig
				}
			}
			l := newLine(b)
			set.Serial = []settings.Serial{{Name: "counter board", Port: l.path, Baud: 115200}}
			set.Broker = &settings.Broker{Address: "127.0.0.1:0", Prefix: settings.DefaultPrefix}
			set.Signal = &settings.Signal{MQTT: outlet == "subscriber"}
			came := make(chan time.Time, 1)
			if outlet == "command" {
				path := filepath.Join(b.TempDir(), "pipe")
				if err := syscall.Mkfifo(path, 0o600); err != nil {
					b.Fatal(err)
				}
				pipe, err := os.OpenFile(path, os.O_RDWR, 0)
				if err != nil {
					b.Fatal(err)
				}
				defer pipe.Close()
				set.Signal.Command = []string{"sh", "-c", `echo {signal} > "$0"`, path}
				go func() {
					for lines := bufio.NewScanner(pipe); lines.Scan(); {
						if lines.Text() == "full" {
							came <- time.Now()
						}
					}
				}()
			}
			clock := newStepClock(n.Start)
			w := work(b, set, clock)
			rig := publisher(b, w.broker.Addr())
			if outlet == "subscriber" {
				c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + w.broker.Addr()).SetClientID("lamp"))
				if k := c.Connect(); !k.WaitTimeout(time.Minute) || k.Error() != nil {
					b.Fatal(k.Error())
				}
				defer c.Disconnect(100)
				k := c.Subscribe(settings.DefaultPrefix+"/"+n.Rig+"/signal", 1, func(_ mqtt.Client, m mqtt.Message) {
					if strings.Contains(string(m.Payload()), `"full"`) {
						came <- time.Now()
					}
				})
				if !k.WaitTimeout(time.Minute) || k.Error() != nil {
					b.Fatal(k.Error())
				}
			}
			await(b, "the settings to be known", func() bool { return w.view().PulseVolume > 0 })
			s := newScript(n.Start)
			send := func(lpm float64) {
				m := s.step(lpm)
				clock.set(m.At)
				if wire == "mqtt" {
					pack, err := rigsim.Pack(nil, n.Rig, m, false)
					if err != nil {
						b.Fatal(err)
					}
					sendPack(b, rig, n.Rig, pack)
					return
				}
				text, err := rigsim.SerialLines(nil, m)
				if err != nil {
					b.Fatal(err)
				}
				if _, err := l.near.Write(text); err != nil {
					b.Fatal(err)
				}
			}
			var took []time.Duration
			for b.Loop() {
				for range 20 { // 4 s of rest by the board's clock
					send(0)
				}
				for range 9 { // 0.9 L
					send(30)
				}
				time.Sleep(100 * time.Millisecond) // it may be at any point of the daemon's second
				start := time.Now()
				send(60)
				took = append(took, (<-came).Sub(start))
			}
			slices.Sort(took)
			at := func(share float64) float64 { return took[int(share*float64(len(took)-1))].Seconds() * 1000 }
			b.ReportMetric(at(0.5), "ms-p50")
			b.ReportMetric(at(0.99), "ms-p99")
			b.ReportMetric(at(1), "ms-most")
		})
	}
}
