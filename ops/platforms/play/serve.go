package play

import (
	"bufio"
	"errors"
	"io"
	"strconv"
)

// Serve reads sites, one a line, plays each on an evaluator of its own and writes a line for each:
//
//	SEED ANSWERS DIGEST     or     SEED ! SENTENCE
//
// Where whole is asked for, every answer stands before that line, as "= INSTANT OUTPUT".
func Serve(in io.Reader, out io.Writer, whole bool, evaluator func(*Site) (Evaluator, error)) error {
	r, w := bufio.NewReaderSize(in, 1<<16), bufio.NewWriterSize(out, 1<<16)
	for {
		line, err := r.ReadBytes('\n')
		if errors.Is(err, io.EOF) && len(line) == 0 {
			return nil
		} else if err != nil {
			return err
		}
		site, err := Parse(line)
		if err != nil {
			return err
		}
		e, err := evaluator(site)
		w.Write(verdict(site, e, err, whole))
		// Whoever feeds sites may wait for an answer before the next.
		if err := w.Flush(); err != nil {
			return err
		}
	}
}

// verdict is what is to be said about a site.
func verdict(site *Site, e Evaluator, err error, whole bool) []byte {
	var said []byte
	var digest Digest
	if err == nil {
		err = site.Play(e, func(a Answer) {
			digest.Add(a)
			if whole {
				said = strconv.AppendInt(append(said, "= "...), a.Now, 10)
				said = append(append(append(said, ' '), a.Output...), '\n')
			}
		})
	}
	said = strconv.AppendUint(said, site.Seed, 10)
	if err != nil {
		return append(said, " ! "+err.Error()+"\n"...)
	}
	return append(said, " "+strconv.Itoa(digest.Answers)+" "+digest.Hex()+"\n"...)
}
