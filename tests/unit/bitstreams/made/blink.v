// One light that blinks: a counter and its highest bit.
module blink(input clock, output light);
  reg [3:0] count = 0;
  always @(posedge clock) count <= count + 1;
  assign light = count[3];
endmodule
