// Lines for the bench's tests, from a simulator that has nothing to do with Linewarden: a transmitter that follows
// the textbook's frame, and store-and-forward repeaters that each receive a frame whole before they send it on.
//
// Run time arguments: +words=FILE (hex, one a line) +count=N +bit_ps=T +data=N +parity=0..4 (none, even, odd, mark,
// space) +half_stops=2..4 +idle=0|1 +gap_ps=T (most dead time, drawn evenly) +jitter_ps=S (standard deviation of
// every edge) +hops=N (repeaters that answer) +seed=N +dump=FILE
`timescale 1ps/1ps

module repeater(input wire in, output reg out, input wire idle, input wire alive, input wire [63:0] bit_ps,
                input wire [31:0] data, input wire [31:0] parity, input wire [31:0] half_stops);
  reg [10:0] fifo [0:1023];
  integer head = 0, tail = 0, i, k, cells;
  reg [10:0] word, sending;
  initial begin
    #1 out = idle;
    forever begin : sender
      if (head == tail) @(tail);
      sending = fifo[head % 1024];
      head = head + 1;
      out = ~idle; #(bit_ps);
      for (k = 0; k < data + (parity != 0); k = k + 1) begin
        out = sending[k] ? idle : ~idle; #(bit_ps);
      end
      out = idle; #(bit_ps * half_stops / 2);
    end
  end
  initial begin
    #2;
    forever begin
      if (in === idle) @(in);
      #(bit_ps / 2);
      if (in !== idle) begin
        word = 0;
        cells = data + (parity != 0);
        for (i = 0; i < cells; i = i + 1) begin
          #(bit_ps);
          word[i] = (in === idle);
        end
        #(bit_ps);
        // Half a bit time of the stop bit is over: the frame is whole when the rest is.
        if (in === idle && alive) begin
          fifo[tail % 1024] = word;
          #(bit_ps / 2);
          tail = tail + 1;
        end
      end
    end
  end
endmodule

module bench;
  reg [63:0] bit_ps, gap_ps, jitter_ps;
  integer count, data, parity, half_stops, hops, seed, idle_arg, i, k;
  reg [63:0] share;
  reg idle, line, ones;
  reg [15:0] words [0:4095];
  reg [15:0] word;
  reg [8191:0] words_file, dump_file;
  wire hop1, hop2, hop3;
  real next;

  repeater r1(line, hop1, idle, hops > 0, bit_ps, data, parity, half_stops);
  repeater r2(hop1, hop2, idle, hops > 1, bit_ps, data, parity, half_stops);
  repeater r3(hop2, hop3, idle, hops > 2, bit_ps, data, parity, half_stops);

  // One cell. Every edge is late by a random time around half a bit time's tenth, so that none is early.
  task put;
    input level;
    input real length;
    begin
      next = jitter_ps > 0 ? $dist_normal(seed, 5 * jitter_ps, jitter_ps) : 0;
      if (next < 0) next = 0;
      #($rtoi(next)) line = level ? idle : ~idle;
      #($rtoi(length - next));
    end
  endtask

  initial begin
    if (!$value$plusargs("words=%s", words_file)) $finish;
    if (!$value$plusargs("dump=%s", dump_file)) $finish;
    if (!$value$plusargs("count=%d", count)) $finish;
    if (!$value$plusargs("bit_ps=%d", bit_ps)) bit_ps = 104166667;
    if (!$value$plusargs("data=%d", data)) data = 8;
    if (!$value$plusargs("parity=%d", parity)) parity = 0;
    if (!$value$plusargs("half_stops=%d", half_stops)) half_stops = 2;
    if (!$value$plusargs("idle=%d", idle_arg)) idle_arg = 1;
    if (!$value$plusargs("gap_ps=%d", gap_ps)) gap_ps = 0;
    if (!$value$plusargs("jitter_ps=%d", jitter_ps)) jitter_ps = 0;
    if (!$value$plusargs("hops=%d", hops)) hops = 0;
    if (!$value$plusargs("seed=%d", seed)) seed = 1;
    idle = idle_arg;
    line = idle;
    $readmemh(words_file, words, 0, count - 1);
    $dumpfile(dump_file);
    $dumpvars(1, line, hop1, hop2, hop3, word);
    #(20 * bit_ps);
    for (i = 0; i < count; i = i + 1) begin
      word = words[i];
      ones = 0;
      put(0, bit_ps);
      for (k = 0; k < data; k = k + 1) begin
        ones = ones ^ word[k];
        put(word[k], bit_ps);
      end
      case (parity)
        1: put(ones, bit_ps);
        2: put(~ones, bit_ps);
        3: put(1, bit_ps);
        4: put(0, bit_ps);
      endcase
      put(1, bit_ps * half_stops / 2.0);
      if (gap_ps > 0) begin
        share = {$random(seed)} % 1000000;
        #(gap_ps * share / 1000000);
      end
    end
    #(60 * bit_ps) $finish;
  end
endmodule
