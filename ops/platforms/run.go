package platforms

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// verdict is what one evaluator made of one site.
type verdict struct {
	answers int
	digest  string
	refused string // the sentence, when it could not be played
	who     string // where verdicts are compared
}

func (v verdict) by(who string) verdict {
	v.who = who
	return v
}

func (v verdict) String() string {
	if v.refused != "" {
		return "refused: " + v.refused
	}
	return fmt.Sprintf("%d answers, %s", v.answers, v.digest)
}

// lane is a running program of a platform: sites go in as lines, verdicts come out.
type lane struct {
	program program
	sites   chan []byte
	judged  func(seed uint64, v verdict) // called from one goroutine
	cpu     time.Duration                // once it has ended
	ended   string                       // how, when it answered for every site and yet did not end well
}

// run goes on until the sites are closed, or ctx is.
func (l *lane) run(ctx context.Context) error {
	trial := ctx
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	name := l.program.name
	cmd := l.program.cmd(ctx)
	var complaint tail
	cmd.Stderr = &complaint
	in, err := cmd.StdinPipe()
	if err != nil {
		return fmt.Errorf("%s: opening its input: %w", name, err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return fmt.Errorf("%s: opening its output: %w", name, err)
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("%s: starting: %w", name, err)
	}
	fed, all := 0, false
	feeding := make(chan struct{})
	go func() {
		defer close(feeding)
		fed, all = l.feed(ctx, in)
	}()
	got, err := readVerdicts(out, l.judged)
	if err != nil {
		stop()
	}
	ended := cmd.Wait()
	stop()
	<-feeding
	l.cpu = cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	switch {
	case err != nil:
		return fmt.Errorf("%s: %w", name, err)
	case ended != nil && all && got == fed && trial.Err() == nil && !cmd.ProcessState.Exited():
		// Node has been seen to crash as it went, with all said: that takes nothing back, and is told.
		l.ended = ended.Error()
		return nil
	case ended != nil:
		return fmt.Errorf("%s ended after %d sites: %w\n%s", name, got, ended, complaint.String())
	case got != fed:
		return fmt.Errorf("%s answered for %d of %d sites", name, got, fed)
	}
	return nil
}

// feed writes sites until there are no more or nobody reads them, and says how many it wrote, and whether that is all.
func (l *lane) feed(ctx context.Context, in io.WriteCloser) (sent int, all bool) {
	defer in.Close()
	for {
		select {
		case <-ctx.Done():
			return sent, false
		case line, more := <-l.sites:
			if !more {
				return sent, true
			}
			if _, err := in.Write(line); err != nil {
				return sent, false // it has ended; how, its exit status says
			}
			sent++
		}
	}
}

func readVerdicts(out io.Reader, judged func(seed uint64, v verdict)) (int, error) {
	lines := bufio.NewReaderSize(out, 1<<16)
	for got := 0; ; got++ {
		line, err := lines.ReadString('\n')
		if errors.Is(err, io.EOF) {
			return got, nil
		} else if err != nil {
			return got, fmt.Errorf("reading verdicts: %w", err)
		}
		seed, v, err := parseVerdict(strings.TrimSuffix(line, "\n"))
		if err != nil {
			return got, err
		}
		judged(seed, v)
	}
}

func parseVerdict(line string) (uint64, verdict, error) {
	word, rest, _ := strings.Cut(line, " ")
	seed, err := strconv.ParseUint(word, 10, 64)
	if err != nil {
		return 0, verdict{}, fmt.Errorf("%q is no verdict", line)
	}
	first, last, _ := strings.Cut(rest, " ")
	if first == "!" {
		return seed, verdict{refused: last}, nil
	}
	answers, err := strconv.Atoi(first)
	if err != nil || len(last) != 64 {
		return 0, verdict{}, fmt.Errorf("%q is no verdict", line)
	}
	return seed, verdict{answers: answers, digest: last}, nil
}
