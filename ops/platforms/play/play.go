package play

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"hash"

	"gatewright/schema/canon"
)

// Evaluator is one reading of the rules.
type Evaluator interface {
	// Add gives one entry's canonical text; one that it has already changes nothing.
	Add(raw []byte) error
	// Reload goes on with what was saved of the state.
	Reload() error
	// Evaluate gives the rules' output at an instant.
	Evaluate(now int64) ([]byte, error)
}

// Answer is one output and the instant it is for.
type Answer struct {
	Now    int64
	Output []byte
}

// Play takes the steps in order and hands every answer over.
func (s *Site) Play(e Evaluator, answered func(Answer)) error {
	ask := func(now int64) ([]byte, error) {
		out, err := e.Evaluate(now)
		if err == nil {
			answered(Answer{now, out})
		}
		return out, err
	}
	for _, step := range s.Steps {
		var err error
		switch step.Do {
		case Add:
			if step.N < 0 || step.N >= int64(len(s.Entries)) {
				return errors.New("steps must name entries that there are")
			}
			err = e.Add(s.Entries[step.N])
		case Reload:
			err = e.Reload()
		case Ask:
			_, err = ask(step.N)
		case Follow:
			var out []byte
			if out, err = ask(step.N); err != nil {
				return err
			}
			if wake, ok := wakeOf(out); ok {
				if _, err = ask(wake - 1); err == nil {
					_, err = ask(wake)
				}
			}
		default:
			return errors.New("steps must be a, q, w or r, not " + string(rune(step.Do)))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// wakeOf is the wake instant that an output names.
func wakeOf(output []byte) (int64, bool) {
	v, err := canon.Parse(output)
	if err != nil {
		return 0, false
	}
	wake, ok := v.Get("wake")
	return int64(wake.Num), ok && wake.Kind == canon.Number
}

// Digest sums answers up: SHA-256 over each one's instant, length and output.
type Digest struct {
	sum     hash.Hash
	Answers int
}

// Add takes one answer more.
func (d *Digest) Add(a Answer) {
	if d.sum == nil {
		d.sum = sha256.New()
	}
	var head [16]byte
	binary.BigEndian.PutUint64(head[:8], uint64(a.Now))
	binary.BigEndian.PutUint64(head[8:], uint64(len(a.Output)))
	d.sum.Write(head[:])
	d.sum.Write(a.Output)
	d.Answers++
}

// Hex is the digest of what was added so far; "" when that is nothing.
func (d *Digest) Hex() string {
	if d.sum == nil {
		return ""
	}
	return hex.EncodeToString(d.sum.Sum(nil))
}
