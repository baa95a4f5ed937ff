package main

import "time"

// row is one line of the report. A figure that was not measured is left out.
type row struct {
	Case   string `json:"case"`
	Server string `json:"server"`

	P50      *float64 `json:"p50_ms,omitempty"` // send to arrival
	P99      *float64 `json:"p99_ms,omitempty"`
	CPU      *float64 `json:"cpu_s_per_1000,omitempty"` // server's, user and system, per 1,000 deliveries
	Peak     *float64 `json:"peak_mb,omitempty"`        // greatest resident set, 2^20 bytes
	Up       *float64 `json:"up_bytes,omitempty"`       // per entry, all clients to the server
	Down     *float64 `json:"down_bytes,omitempty"`     // per entry, the server to all clients
	AckP50   *float64 `json:"ack_p50_ms,omitempty"`     // send to heads that cover the entry, on the disk
	AckP99   *float64 `json:"ack_p99_ms,omitempty"`
	AckRate  *float64 `json:"acks_per_s,omitempty"`
	SyncP50  *float64 `json:"fdatasync_p50_ms,omitempty"` // of a probe on the same disk during the run
	SyncP99  *float64 `json:"fdatasync_p99_ms,omitempty"`
	LateP99  *float64 `json:"late_p99_ms,omitempty"` // how late the generator itself was to send
	Start    *float64 `json:"start_ms,omitempty"`
	RSS      *float64 `json:"rss_mb,omitempty"`
	AtOnce   *float64 `json:"kb_per_phone_at_once,omitempty"` // 2^10 bytes of resident set, documents in memory
	PerPhone *float64 `json:"kb_per_phone,omitempty"`         // the same after a silence
	Change   *float64 `json:"change_bytes,omitempty"`         // mean length of a change that carries one entry
	Ratio    *float64 `json:"cpu_ratio,omitempty"`            // to the first row of the case
	RatioP50 *float64 `json:"p50_ratio,omitempty"`

	Entries    int    `json:"entries,omitempty"`
	Deliveries int    `json:"deliveries,omitempty"`
	Phones     int    `json:"phones,omitempty"`
	Log        int    `json:"log_entries,omitempty"` // entries that were there before
	Runs       int    `json:"runs,omitempty"`        // of which this is the median
	Note       string `json:"note,omitempty"`
}

func figure(f float64) *float64 { return &f }

func milliseconds(d time.Duration) *float64 { return figure(float64(d) / float64(time.Millisecond)) }

func megabytes(n int64) *float64 { return figure(float64(n) / (1 << 20)) }
